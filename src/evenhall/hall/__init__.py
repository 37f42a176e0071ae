"""Geometry, coverage and level: what a ladder or a tilt would change.

setting     the room, the people, the loudspeaker
coverage    how a loudspeaker's level falls off its axis
pattern     other models of that: horn, cone, measured data (read by polar)
level       what each row hears of one loudspeaker, direct and reverberant
surfaces    absorption and decay
seats       who sits where, and where the loudspeakers stand
field       what every seat hears of all loudspeakers
pair        the best stance of a pair, or of one (search, stances; said by stance_words)
rows        how loud each row is against the middle one
reach       what would help where hands do not
clarity     how well speech is understood, row by row
feedback    gain before feedback, potential and needed; gain_steps: what a metre buys of it
spots       where to put the microphone; choosing: with reasons, in walking order
delay       when and how loud a delay loudspeaker plays
"""
