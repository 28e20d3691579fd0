"""The claim bag: a record with its report, listed, dated and signed, for a reader elsewhere."""
