"""The guessing behind `condmon survey`: what messages say of machines, signals and roles. Pure."""
