"""Wearable IMU recordings of golf swings, measured: wrist, forearm, face and shaft."""
