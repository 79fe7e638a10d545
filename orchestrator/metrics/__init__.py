"""Loss, jitter, reordering, TCP efficiency as the RFCs define them. Pure, standard library; ships to the hosts.

Import the file you need: the hosts load only what a trial uses.
"""
