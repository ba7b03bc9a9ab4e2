"""One module for each thing a person does that touches files."""
