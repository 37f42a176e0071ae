"""What the browser shows, on the laptop and on the phone in the hand.

- `serve`: a port, a browser; `app`: routes and errors; `guard`: the door; `pairing`, `phone`: the
  second door.
- `html`: the pages; `views`: what each shows; `guide`: what comes next; `fields`: the set-out.
- `api`: what pages ask for and change; `uploads`: files that come in; `bulletin`: news.
- `player`: sound on behalf of the pages; `devices`: what it goes through.
- `services`: all that, made once.
"""
