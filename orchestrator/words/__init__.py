"""What every room says the same way: units, figures as text, exit codes, plain text. Pure."""
