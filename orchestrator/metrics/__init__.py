"""Loss, jitter, reordering, TCP efficiency as the RFCs define them. Pure, standard library; ships to the hosts."""
