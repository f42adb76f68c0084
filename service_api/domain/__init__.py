"""What the workshop's words mean: entry types, histories, condition. No framework, no clock, no I/O."""
