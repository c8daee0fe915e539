"""What the service answers, a module for each kind of resource."""
