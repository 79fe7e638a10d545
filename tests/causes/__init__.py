"""Benches that something known holds back, made on purpose in the lab, and what the report says of them."""
