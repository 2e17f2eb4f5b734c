"""The bench: a local page for the whole job, served on the maker's own machine."""
