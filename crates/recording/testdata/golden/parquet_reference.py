"""Writes parquet_reference.csv: what pyarrow reads from the reference recording.

    python parquet_reference.py ../../../../../shared/recordings/hollowmere-reference.parquet > parquet_reference.csv
"""
import sys

import pyarrow
import pyarrow.parquet

table = pyarrow.parquet.read_table(sys.argv[1])
print(f"# column, rows, then the values of rows 0, 10000 and {table.num_rows - 1}; pyarrow {pyarrow.__version__}")
for name in table.column_names:
    values = table[name]
    picked = [repr(float(values[row].as_py())) for row in (0, 10000, table.num_rows - 1)]
    print(",".join([name, str(table.num_rows), *picked]))
