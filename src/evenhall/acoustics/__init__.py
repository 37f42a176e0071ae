"""The numeric core: arrays in, arrays out. No files, devices, clock or global state."""
