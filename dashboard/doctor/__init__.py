"""What `kerfbook doctor` looks at beyond the stores: the broker, its certificate, this computer."""
