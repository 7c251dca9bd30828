"""The simulated bench: tools, hands and transducers as physics, served over a pty or TCP like a real device."""
