"""The producer's own records: sites, cell builders, batches, nucs, checks, issued outlooks, warnings."""
