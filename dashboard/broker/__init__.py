"""What `kerfbook broker-config` writes: a broker's configuration, its users, their rights, and certificates."""
