"""What the user asks: the plan file, its cells and their order. Pure: imports nothing that does I/O."""
