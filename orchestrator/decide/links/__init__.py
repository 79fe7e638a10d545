"""What a link runs between: its ends, its addresses, its path."""
