"""The Rack: the shop's torque tools."""
