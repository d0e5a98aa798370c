"""Room 3, what was drawn: straight, arc, circle and streamed pieces to exact measures."""
