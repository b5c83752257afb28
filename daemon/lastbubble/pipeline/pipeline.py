"""The pipeline: samples in, records out; the same object live, in replay and in tests.

Joins three parts and has no knowledge of its own: the chamber's side (`degassing`), the oven's side (`cure`) and the
tracker that makes one stage of both (`stages`). Reads no clock; the same samples give the same records.
"""
