"""What things are called, what a role means, and the records of session and plan."""
