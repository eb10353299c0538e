"""The harness that proves the follower: programs, operators, machines, ears and faults, all drawn."""
