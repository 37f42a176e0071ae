"""What terminal, sheet and pages say and show of a result: each sentence here, and here alone.

- `verdicts`: how it stands; `worklist`: what to do, what to leave and why; `settings`: what stood
  where. All are a `point.Point` a thing.
- `views`: what the drawings show.

Each reader sets them in its own way, and adds no sentence about the result.
"""
