"""Bytes of a pod to typed messages and back. No I/O; every byte is in docs/protocol.md."""
