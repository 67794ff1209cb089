"""One run of `measure`: what is lacking, who is asked, what is recorded."""
