"""Files, forms and mended rows into the record: reading by `drift.ingest`, keeping by `drift.record`."""
