"""Records: the store, its schema and migrations, seals, import and export, reports."""
