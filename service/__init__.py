"""HTTP, command line and jobs; the only place where models and forecasting meet."""
