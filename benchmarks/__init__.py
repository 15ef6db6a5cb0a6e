"""What speed claims rest on. Nothing here can fail on time."""
