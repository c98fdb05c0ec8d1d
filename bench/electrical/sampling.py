"""What looking once a sample can claim about openings that come and go.

A contact is looked at every ``sample_s``. An opening of length d, at no particular moment, holds at
least one look with probability min(1, d / sample_s); a share of the time during which nothing is
looked at takes its share of that. Openings that come at random, on average once in ``every_s``, are
a Poisson process, and those that are seen are one too, thinned by that probability: a run of
length T sees none of them with probability exp(-p T / every_s). No model of the harness enters.

Source: geometric probability and the thinning of Poisson processes, any text on probability.
"""

from math import exp, log

SAMPLE_S = 0.001  # the board contract's monitor: 1 kS/s


def seen_probability(
    opening_s: float, sample_s: float = SAMPLE_S, blind_s: float = 0.0, period_s: float = 1.0
) -> float:
    """Probability that one opening is looked at while it lasts, at least.

    Args:
        opening_s: its length.
        sample_s: from one look to the next.
        blind_s: for how long nothing is looked at, once a period.
        period_s: of the blind time.
    """
    if not blind_s:
        return min(1.0, opening_s / sample_s)
    # Looks are sample_s apart but for one gap a period; an opening that falls whole into a gap is missed.
    usual = (period_s - blind_s - sample_s) / sample_s * max(sample_s - opening_s, 0.0)
    return 1.0 - (usual + max(blind_s + sample_s - opening_s, 0.0)) / period_s


def missed_probability(seen: float, every_s: float, run_s: float) -> float:
    """Probability that a run of ``run_s`` shows none of openings that come once in ``every_s`` on average."""
    return exp(-seen * run_s / every_s)


def rarest_every_s(seen: float, run_s: float, sure: float = 0.95) -> float:
    """The rarest openings that a run of ``run_s`` without any rules out: once in so many seconds on average.

    With ``sure`` 0.95 and every opening seen this is a third of the run, the statisticians' rule of three.
    """
    return seen * run_s / -log(1.0 - sure)
