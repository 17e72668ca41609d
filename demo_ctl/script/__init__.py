"""What is to happen: call scripts by intent. Model and loader; errors with file:line."""
