"""Pages on the local network: a phone's browser takes the photographs, and what they show is measured."""
