"""Benches that something known limits, made on purpose in the lab, and what the report says of them."""
