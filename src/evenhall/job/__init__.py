"""The job folder: typed models at the door, the whole job, and its result."""
