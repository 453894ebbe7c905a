"""One module a sub-command of `pumphouse`."""
