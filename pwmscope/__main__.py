"""`python -m pwmscope` is the `pwmscope` command."""

from pwmscope.cli import main

main(prog_name="pwmscope")
