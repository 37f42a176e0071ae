"""The talker: how well speech is understood, and where the microphone would ring."""
