"""Tables and every SQL statement; knows neither HTTP nor numerics."""
