"""Notices: what to tell, when to tell it, and the channels that carry it."""
