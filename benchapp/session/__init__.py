"""The live bench without a window: sample blocks in, reader and run stepped, records saved, a view of it all out."""
