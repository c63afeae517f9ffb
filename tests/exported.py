"""Reads a run's Parquet export with DuckDB and holds it against the CSV of the same run, field by field.

Usage: exported.py RUN.parquet RUN.csv      prints the metadata of the file, and how many rows and columns are the same, as JSON

The CSV is read with Python's own module; DuckDB has no part in writing either file.
"""

import csv
import datetime
import json
import sys

import duckdb


def same(name, parquet, text):
    if text == "":
        return parquet is None
    if name == "time":
        return parquet == datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))
    if name == "stage":
        return parquet == int(text)
    if isinstance(parquet, float):
        # To the bit: Python reads the shortest decimal exactly.
        return parquet == float(text)
    return parquet == text


def main(parquet_path, csv_path):
    # Times come out in the zone of the session.
    duckdb.execute("SET TimeZone = 'UTC'")
    found = duckdb.execute("SELECT epoch_ms(time) AS time, * EXCLUDE (time) FROM read_parquet(?)", [parquet_path])
    names = [column[0] for column in found.description]
    rows = found.fetchall()
    types = dict(duckdb.execute("SELECT column_name, column_type FROM (DESCRIBE SELECT * FROM read_parquet(?))", [parquet_path]).fetchall())
    with open(csv_path, newline="") as file:
        wanted = list(csv.reader(file))
    assert names == wanted[0], (names, wanted[0])
    assert len(rows) == len(wanted) - 1, (len(rows), len(wanted) - 1)
    for number, (row, text) in enumerate(zip(rows, wanted[1:]), 1):
        for name, value, field in zip(names, row, text):
            if name == "time":
                value = datetime.datetime.fromtimestamp(value // 1000, datetime.timezone.utc) + datetime.timedelta(milliseconds=value % 1000)
            assert same(name, value, field), f"row {number}, {name}: {value!r} in Parquet, {field!r} in CSV"
    metadata = duckdb.execute("SELECT decode(key), decode(value) FROM parquet_kv_metadata(?)", [parquet_path]).fetchall()
    print(json.dumps({"rows": len(rows), "columns": len(names), "types": types, "metadata": dict(metadata)}))


main(*sys.argv[1:])
