"""Venues, rigs, visits and takes, kept from one visit to the next.

- `store`: `Store`, what the pages read and write; `database`: the tables below it.
- `visit`: a visit as the store gives it, and the job that it is.
- `carrying`: the job folder of a visit, out and in.
- `judging`: the verdict of a visit, its takes measured once.
- `orphans`: recordings that no take names.
"""
