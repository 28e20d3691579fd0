"""The shop's key: kept, protected, exchanged, and handed out."""
