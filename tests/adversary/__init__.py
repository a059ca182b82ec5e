"""An adversary of the failsafe check: a bench of its own at edge level, its truth, and a study."""
