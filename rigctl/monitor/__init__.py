"""What a person watches: the live terminal view and the plot of a job."""
