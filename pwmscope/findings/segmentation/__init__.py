"""Where the width stands still: the search for dwells."""
