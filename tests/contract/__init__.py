"""What every implementation of a port does, the real one and the fake one."""
