"""From findings and the bench to what to change, and what that would lead to."""
