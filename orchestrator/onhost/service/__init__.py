"""The helper itself: its loop, its messages, and the jobs it forks."""
