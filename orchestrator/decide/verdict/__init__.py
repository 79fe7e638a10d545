"""What a trial is worth."""
