"""Changes: what differs between tap sets, and what could not be seen."""
