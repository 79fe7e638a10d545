"""What keeps a host safe: the lease, the record, the watchdog, changes and restoring."""
