"""The season around the vent: crops, light, sowing, setpoints, hardening, picking."""
