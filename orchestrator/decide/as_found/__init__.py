"""Whether a host is as it was found, and who changed what is not."""
