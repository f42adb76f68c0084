"""Rows redrawn from histories. Everything here can be thrown away and drawn again from the log."""
