"""Whether a way can be walked and driven: grades, ramps, landings, widths against limits."""
