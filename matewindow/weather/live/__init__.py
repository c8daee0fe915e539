"""Weather by itself: which services are asked for a site, in which order, and what is done when one fails."""
