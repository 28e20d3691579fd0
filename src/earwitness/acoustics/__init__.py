"""What a take shows: hiss against the engine-off baseline, and whether the take can be trusted."""
