"""From findings to something a person or a program reads; consumes results only."""
