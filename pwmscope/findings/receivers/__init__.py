"""The lines of one receiver together: common clock, order, pairs."""
