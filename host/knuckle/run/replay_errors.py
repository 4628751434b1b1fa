"""What is told of recordings that cannot be measured from."""

from __future__ import annotations

from pathlib import Path

from knuckle.errors import RecordingError


def empty(path: Path) -> RecordingError:
    """Return what to raise where there is not one sample."""
    return RecordingError(
        f"{path} holds no samples.",
        "The recording was stopped before the pod sent any, or its lines hold no readings.",
        "Record again, and wait until the live view shows angles.",
    )


def no_accelerometer(path: Path) -> RecordingError:
    """Return what to raise where there are lengths alone."""
    return RecordingError(
        f"{path} holds lengths only: the pod had no accelerometer.",
        "It was not connected, did not answer, or the pod has none.",
        "Camber and sweep need one; lengths serve `knuckle toe` and `knuckle linear`.",
    )


def no_lengths(path: Path) -> RecordingError:
    """Return what to raise where there is no linear sensor."""
    return RecordingError(
        f"{path} holds no readings of a linear sensor.",
        "The pod had none connected, or the log has no column linear_mm.",
        "Record with the sensor connected; `knuckle watch` shows what a pod sends.",
    )
