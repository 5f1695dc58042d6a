"""The local page: the whole job by eye and hand, on this machine only."""
