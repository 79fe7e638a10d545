"""What a machine reads when it starts: its boot files, how one start is tried and taken back, how it is restarted."""
