"""The whole controller against hosts made of a few dictionaries, on a clock that jumps: many nights in a minute."""
