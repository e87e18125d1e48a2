"""Child processes that answer questions: how they are started, spoken to, held within limits and stopped."""
