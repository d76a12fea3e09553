"""What is printed of a job: the frame, the figures, and which paper belongs to which job."""
