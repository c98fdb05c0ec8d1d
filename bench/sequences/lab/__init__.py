"""What a laboratory wants to know of a harness besides: the matrix, insulation, contacts, signatures of loads."""

from bench.sequences.lab.contacts import contacts
from bench.sequences.lab.insulation import insulation
from bench.sequences.lab.matrix import matrix
from bench.sequences.lab.signature import signature

__all__ = ["contacts", "insulation", "matrix", "signature"]
