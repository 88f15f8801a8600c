"""Queries, one module per noun."""
