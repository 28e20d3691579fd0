"""The equipment of a live inspection: microphones, loudspeaker, and what is recorded with them."""
