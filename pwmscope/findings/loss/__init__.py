"""The parts of the analysis of signal loss; `pwmscope.findings.silence` is its face."""
