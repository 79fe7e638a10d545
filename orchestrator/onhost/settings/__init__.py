"""What can be changed on a host: one file per setting, the same five verbs."""
