"""What a day of setting out takes along: the table, the slip to print, the page for the phone."""
