"""Checking a claim bag that anybody may have made or changed."""
