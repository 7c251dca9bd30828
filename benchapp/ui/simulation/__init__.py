"""The hand of `kilter --simulated`: a panel that speaks to the simulator through its control channel."""
