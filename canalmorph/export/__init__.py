"""Results to tables, records and masks on disk."""
