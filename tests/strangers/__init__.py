"""Run folders and plans that strangers wrote: mutated at random, through every command that reads one."""
