"""The stages of a rehearsal, each turning one record into the next."""
