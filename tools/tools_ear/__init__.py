"""What tools/bench_ear.py is made of."""
