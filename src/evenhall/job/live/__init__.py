"""What is done with sound: gain, line check, takes, faders, learning a unit."""
