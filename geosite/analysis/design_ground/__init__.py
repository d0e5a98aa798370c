"""Design ground: pads, falls, edges and strips, joined to the walked ground by banks."""
