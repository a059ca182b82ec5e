"""Text tables of levels, whatever their dialect, as captures."""
