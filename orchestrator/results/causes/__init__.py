"""What limits a cell."""
