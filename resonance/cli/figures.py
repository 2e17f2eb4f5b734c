"""The pictures of a job, made from its sound: for `report`, `figure` and `demo`."""
