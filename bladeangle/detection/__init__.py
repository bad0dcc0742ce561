"""What of a rotor is seen in photographs: hub, outlines, edges."""
