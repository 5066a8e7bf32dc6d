"""What people read: the weekly summary and the page. Reads the store, never the daemon."""
