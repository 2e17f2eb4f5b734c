"""Jobs: the store of a shop, and all SQL."""
