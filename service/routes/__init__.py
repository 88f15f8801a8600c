"""Route handlers, one module per noun."""
