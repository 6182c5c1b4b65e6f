"""What a person looks at: the report pages and their charts."""
