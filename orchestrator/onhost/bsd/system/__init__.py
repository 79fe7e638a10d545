"""The seam to the operating system, on the BSD family."""
