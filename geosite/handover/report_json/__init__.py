"""What ``report.json`` says: its types, how they are filled, written and described."""
