"""A small invented job with planted faults: made, listened to and shown."""
