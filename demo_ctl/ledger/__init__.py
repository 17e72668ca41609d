"""What happened, durable: the record file, its one format, writer and reader."""
