"""Frames, segments, ceilings and bus rates. Pure, standard library; ships to the hosts."""
