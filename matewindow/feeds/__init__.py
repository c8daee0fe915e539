"""What other programs read of a batch and of the service: calendar feeds and metrics, as pure functions."""
