"""The command line: parse, call, print."""

from pwmscope.cli.main import main

__all__ = ["main"]
