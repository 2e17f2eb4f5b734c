"""Commands: one file each; parse, call, print."""
