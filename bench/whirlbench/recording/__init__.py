"""One HDF5 file a run: written while it runs, read whole or broken, exchanged with CSV and Parquet.

Only `files` opens anything; `attributes` is what a recording says of itself, `reader` and `writer` are its two ends.
"""
