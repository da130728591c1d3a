"""Bluetooth Low Energy: scan, connect, stay connected, say what is wrong."""
