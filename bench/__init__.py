"""What is promised about speed, each as a ratio to its bound measured in the same run."""
