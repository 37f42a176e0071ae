"""The whole job: recordings in, a result out."""
