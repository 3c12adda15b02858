"""A bank of Kalman filters with leak signatures: the arithmetic of the estimator, without physics.

Every filter of the bank describes one section without a leak by linear Gaussian states. A leak of a given
shape adds a known curve, scaled by one unknown number, the loss. Because the filters are linear, the trace
that such a curve leaves in the innovations (its *signature*) can be run through the same gains beside the
data; the loss then follows by least squares of innovations on signature. Source of the idea: Willsky and
Jones, IEEE Trans. Automatic Control 21 (1976) 108 (cited from memory). So one covariance recursion serves
all shapes of leak, and new start times can be added on the way.

Shapes: S sections, M models (lag x disturbance), N states, J leak shapes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

OUT_OF_THE_QUESTION = 12.0  # in ln of the likelihood


@dataclass(slots=True)
class Bank:
    """State of the bank. All arrays are owned by it and change in place."""

    mean: Array  # (S, M, N) states without a leak
    covariance: Array  # (S, M, N, N)
    signature: Array  # (S, M, N, J) what a unit leak of each shape did to the states
    information: Array  # (S, M, J) sum of signature innovation² / variance
    projection: Array  # (S, M, J) sum of signature innovation · innovation / variance
    log_likelihood: Array  # (S, M) of the innovations without a leak
    chi_square: Array  # (S, M) sum of normalised innovations squared
    count: Array  # (S,) readings used


def new_bank(mean: Array, covariance: Array, shapes: int) -> Bank:
    """Return a bank with no readings yet; `mean` (S, M, N), `covariance` (S, M, N, N)."""
    sections, models, states = mean.shape
    return Bank(
        mean=mean.copy(),
        covariance=covariance.copy(),
        signature=np.zeros((sections, models, states, shapes)),
        information=np.zeros((sections, models, shapes)),
        projection=np.zeros((sections, models, shapes)),
        log_likelihood=np.zeros((sections, models)),
        chi_square=np.zeros((sections, models)),
        count=np.zeros(sections),
    )


def part_of(bank: Bank, which: NDArray[np.intp]) -> Bank:
    """Return a bank of some of the sections, a copy; the bank itself if they are all."""
    if len(which) == len(bank.mean):
        return bank
    return Bank(*(getattr(bank, f.name)[which] for f in fields(bank)))


def clearest_leak(bank: Bank) -> Array:
    """Return the loss of the clearest shape of leak of each section, in its own standard deviations, (S,).

    Only under models that are not out of the question: a wrong lag shows leaks everywhere.
    """
    clear = bank.projection / np.sqrt(np.maximum(bank.information, 1e-300))
    fit = bank.log_likelihood[..., None] + 0.5 * clear**2
    possible = fit > fit.max(axis=(1, 2), keepdims=True) - OUT_OF_THE_QUESTION
    return np.asarray(np.where(possible, clear, -np.inf).max(axis=(1, 2)))


def predict(bank: Bank, decay: Array, process: Array) -> None:
    """Carry the bank over a time step: x ← D·x, P ← D·P·D + diag(q); `decay` (M, N), `process` (S, M, N), D diagonal."""
    bank.mean *= decay
    bank.signature *= decay[None, :, :, None]
    bank.covariance *= decay[None, :, :, None] * decay[None, :, None, :]
    states = np.arange(decay.shape[-1])
    bank.covariance[:, :, states, states] += process


def innovations(bank: Bank, reading: Array, regressor: Array, noise: Array) -> tuple[Array, Array]:
    """Return innovation and its variance, each (S, M), without changing the bank."""
    spread = np.einsum("smij,smj->smi", bank.covariance, regressor)
    variance = np.einsum("smi,smi->sm", spread, regressor) + noise[:, None]
    return reading - np.einsum("smi,smi->sm", bank.mean, regressor), variance


def update(bank: Bank, reading: Array, regressor: Array, noise: Array, curve: Array, use: Mask) -> Array:
    """Take one reading per section; return the normalised innovation of each model (S, M).

    `reading` (S, M), `regressor` (S, M, N), `noise` (S,) variance, `curve` (S, M, J) what a unit leak does to the
    reading, `use` (S,) False = no reading: an explicit no-update.

    P ← P - P·h·hᵀ·P / s: an outer product of one vector with itself, so the covariance stays symmetric to the bit.
    """
    spread = np.einsum("smij,smj->smi", bank.covariance, regressor)
    variance = np.einsum("smi,smi->sm", spread, regressor) + noise[:, None]
    innovation = reading - np.einsum("smi,smi->sm", bank.mean, regressor)
    innovation = np.where(use[:, None], innovation, 0.0)
    weight = np.where(use[:, None], 1.0 / variance, 0.0)
    trace = curve - np.matmul(regressor[:, :, None, :], bank.signature)[:, :, 0]
    bank.information += trace * trace * weight[..., None]
    bank.projection += trace * (innovation * weight)[..., None]
    bank.log_likelihood -= np.where(
        use[:, None], 0.5 * (innovation * innovation * weight + np.log(2.0 * np.pi * variance)), 0.0
    )
    bank.chi_square += innovation * innovation * weight
    gain = spread * weight[..., None]
    bank.mean += gain * innovation[..., None]
    bank.signature += gain[..., None] * trace[:, :, None, :]
    root = spread * np.sqrt(weight)[..., None]
    bank.covariance -= root[..., :, None] * root[..., None, :]
    bank.count += use
    return innovation * np.sqrt(weight)
