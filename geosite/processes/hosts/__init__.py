"""What runs processes: the HTTP host, single jobs, many sites side by side."""
