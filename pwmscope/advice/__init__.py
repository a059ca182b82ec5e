"""From findings and the bench to what to change; nothing here yet."""
