"""Report: words, text and pages that leave the bench."""
