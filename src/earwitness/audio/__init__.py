"""Sound in and out: recordings on disk and microphones."""
