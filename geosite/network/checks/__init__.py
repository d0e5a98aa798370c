"""What a survey is refused for: the facts, how they are judged, and the words."""
