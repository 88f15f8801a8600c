"""An invented plant with history."""
