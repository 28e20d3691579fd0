"""What each hypothesis lets one expect of gauges and sound: the likelihood of the evidence."""
