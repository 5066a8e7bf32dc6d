"""What every trial report says to people who act on it."""

CAUTIONS = (
    (
        "Opened gear holds mains voltage, and charged capacitors long after the plug is out; leave"
        " power supplies and UPS to licensed people."
    ),
    "Put no padding that burns into a cabinet, and cover no vent.",
    "A slowed fan must be seen to start from cold, and again after a power cut.",
    "A resistor at its dissipation is hot.",
    "A verdict is a sum on your figures, not an approval.",
    "This is no smoke alarm, and it can fail together with its sensors.",
    "Local codes and licensed practice come first.",
)
