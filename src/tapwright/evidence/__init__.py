"""Files of the job folder -> core nouns."""
