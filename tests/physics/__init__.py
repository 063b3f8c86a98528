"""What is known from outside this project: published readings and figures of the bench."""
