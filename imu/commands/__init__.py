"""The commands of `cupbow`, one module each; `imu.cli` lists them."""
