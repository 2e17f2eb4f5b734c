"""Taking sound at the bench: blocks in, verdicts out; nothing recorded is lost."""
