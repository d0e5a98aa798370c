"""How numbers, reference systems and accuracy are put into words on every sheet and page."""
