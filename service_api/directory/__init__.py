"""What is not in the log: people, parties, tokens, devices, attachments. Names stay here, ids go into entries."""
