"""A record in, a file out: tables, recordings, test results and measurements in open formats."""

from bench.exports.csv_tables import PARTS, csv_table
from bench.exports.junit_xml import junit_xml, measured
from bench.exports.mdf4 import write_mdf4
from bench.exports.measurements import PART_PREFIX, joined, part_name

__all__ = ["PARTS", "PART_PREFIX", "csv_table", "joined", "junit_xml", "measured", "part_name", "write_mdf4"]
