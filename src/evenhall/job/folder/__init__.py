"""The job folder: job.toml and the files beside it, read, checked and written."""
