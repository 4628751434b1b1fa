"""What a person sees and hears: the live view, plain lines, cues."""
