"""What the box and the host say to each other; the same files run on both."""
