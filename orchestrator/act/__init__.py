"""The controller's only I/O: SSH, the journal file, the clock, signals, and the runner."""
