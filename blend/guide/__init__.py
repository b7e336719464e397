"""The guide's pages, read by `blend guide TOPIC`."""
