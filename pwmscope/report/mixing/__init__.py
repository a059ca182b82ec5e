"""What was found about the mixing of drive outputs, as text and as data."""
