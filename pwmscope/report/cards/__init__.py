"""Cards for the bench: one page of plain HTML, A4, black and white, or the same as text."""
