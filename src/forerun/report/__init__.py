"""What is said of a run (outline) and how (render). Imports only the model."""
