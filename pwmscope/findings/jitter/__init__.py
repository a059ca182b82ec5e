"""Width jitter, apart from what sampling alone gives."""
