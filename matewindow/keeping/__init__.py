"""Keeping up: weather held for every site, outlooks issued from it, refreshes, jobs and what they find."""
