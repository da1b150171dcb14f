"""The invented text formats of the rehearsal's instruments.

Here:     `FileLayout` (one format: how rows look, and the ``layouts/*.toml`` that says so), `LAYOUTS`.
Not here: formatting numbers (`textout`), opening files (`writer`).
Rules:    every dialect differs on purpose: decimal commas, tabs, blanks, split dates, local time, unix
          and serial times, averages stamped at start, middle and end; each is declared in its layout.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from reeftally.rehearsal.textout import Dialect

__all__ = ["LAYOUTS", "FileColumn", "FileLayout", "near_profiler"]


@dataclass(frozen=True, slots=True)
class FileColumn:
    """One column: how the file calls it, what it holds, and its unit (file = canonical × factor)."""

    name: str
    quantity: str
    unit: str
    decimals: int
    low: float | None = None
    high: float | None = None
    factor: float = 1.0
    bin: int | None = None


@dataclass(frozen=True, slots=True)
class FileLayout:
    """One kind of file."""

    name: str
    description: str
    filename: str
    pattern: str
    extension: str
    dialect: Dialect
    time_columns: tuple[str, ...]
    time_format: str
    columns: tuple[FileColumn, ...]
    stamp: str = "instant"
    averaging_s: float | None = None
    preamble: tuple[str, ...] = ()
    """Comment lines at the head; ``{label}`` is the instrument."""
    header: bool = True
    zone: str = "UTC"
    serial_pattern: str | None = None

    def head(self, label: str, serial: str) -> bytes:
        """Return the lines before the first row."""
        end = self.dialect.line_end
        lines = [line.format(label=label, serial=serial) for line in self.preamble]
        if self.header:
            names = [*self.time_columns, *(column.name for column in self.columns)]
            lines.append(self.dialect.delimiter.join(names))
        return "".join(line + end for line in lines).encode()

    def toml(self) -> str:
        """Return the text of the layout file."""
        delimiter = {"\t": "tab", " ": "whitespace"}.get(self.dialect.delimiter, self.dialect.delimiter)
        missing = sorted({self.dialect.missing, "NaN"} | ({""} if delimiter not in ("whitespace",) else set()))
        lines = [
            f"# {self.description}",
            "format = 1",
            f'name = "{self.name}"',
            f'description = "{self.description}"',
            "",
            "[match]",
            f'filename = "{self.filename}"',
            "",
            "[instrument]",
            'from = "filename"',
            f'pattern = "{self.pattern}"',
            "",
            "[text]",
            'encoding = "utf-8"',
            f'delimiter = "{delimiter}"',
            f'decimal_mark = "{self.dialect.decimal_mark}"',
            'comment = "#"',
            f'header = "{"names" if self.header else "none"}"',
        ]
        if self.header:
            lines.append(f'header_start = "{self.time_columns[0]}"')
        lines.append("missing = [" + ", ".join(f'"{mark}"' for mark in missing) + "]")
        times = self.time_columns
        names = [column.name for column in self.columns]
        if not self.header:
            times = tuple(str(n + 1) for n in range(len(times)))
            names = [str(len(times) + n + 1) for n in range(len(names))]
        lines += [
            "",
            "[time]",
            "columns = [" + ", ".join(f'"{name}"' for name in times) + "]",
            f'format = "{self.time_format}"',
            f'zone = "{self.zone}"',
            f'stamp = "{self.stamp}"',
        ]
        if self.averaging_s is not None:
            lines.append(f"averaging_s = {self.averaging_s:.1f}")
        for name, column in zip(names, self.columns, strict=True):
            lines += ["", "[[columns]]", f'name = "{name}"', f'quantity = "{column.quantity}"']
            lines.append(f'unit = "{column.unit}"')
            if column.low is not None:
                lines.append(f"minimum = {column.low:.6g}" if column.low % 1 else f"minimum = {column.low:.1f}")
            if column.high is not None:
                lines.append(f"maximum = {column.high:.6g}" if column.high % 1 else f"maximum = {column.high:.1f}")
            if column.bin is not None:
                lines.append(f"bin = {column.bin}")
        return "\n".join(lines) + "\n"


_C = FileColumn

_ROWS = (
    FileLayout(
        "velocimeter-32",
        "velocimeter at 32 Hz: unix seconds, velocities along its own axes",
        "VEL-A_*.csv",
        "^(VEL-[A-Z])_",
        "csv",
        Dialect("unix_s", 5, ","),
        ("t",),
        "unix_s",
        (
            _C("vx", "velocity_x", "m/s", 4, -4.0, 4.0),
            _C("vy", "velocity_y", "m/s", 4, -4.0, 4.0),
            _C("vz", "velocity_z", "m/s", 4, -4.0, 4.0),
            _C("corr", "correlation", "percent", 0, 0.0, 100.0),
            _C("snr", "signal_to_noise", "dB", 0, -10.0, 80.0),
        ),
        preamble=("# point velocimeter, axes x y z of the head, metres per second", "# unit {label} no {serial}"),
    ),
    FileLayout(
        "velocimeter-16",
        "velocimeter at 16 Hz: no header, blanks between fields, millimetres per second",
        "VEL-B_*.dat",
        "^(VEL-[A-Z])_",
        "dat",
        Dialect("iso", 4, " "),
        ("time",),
        "%Y-%m-%dT%H:%M:%S.%f",
        (
            _C("vx", "velocity_x", "mm/s", 1, -4000.0, 4000.0, 1000.0),
            _C("vy", "velocity_y", "mm/s", 1, -4000.0, 4000.0, 1000.0),
            _C("vz", "velocity_z", "mm/s", 1, -4000.0, 4000.0, 1000.0),
            _C("corr", "correlation", "percent", 0, 0.0, 100.0),
            _C("snr", "signal_to_noise", "dB", 0, -10.0, 80.0),
        ),
        header=False,
    ),
    FileLayout(
        "fast-oxygen",
        "fast oxygen sensor at 8 Hz: unix milliseconds, by volume at the salinity set inside",
        "FAST-*.csv",
        "^(FAST-[A-Z])_",
        "csv",
        Dialect("unix_ms", 0, ","),
        ("ms",),
        "unix_ms",
        (_C("o2", "oxygen_molar", "umol/L", 3, -10.0, 600.0),),
        preamble=("# analog channel 1 of the velocimeter, microsensor",),
    ),
    FileLayout(
        "profiler-column",
        "water-column profiler: decimal commas, day.month.year, centimetres per second, bins from 0.6 m",
        "PRO-W_*.txt",
        "^(PRO-[A-Z])_",
        "txt",
        Dialect("dmy", 0, ";", ",", "-32768"),
        ("datetime",),
        "%d.%m.%Y %H:%M:%S",
        tuple(
            _C(f"{axis}{number:02d}", f"velocity_{word}", "cm/s", 1, -400.0, 400.0, 100.0, number)
            for number in range(1, 27)
            for axis, word in (("E", "east"), ("N", "north"))
        ),
        stamp="middle",
        averaging_s=60.0,
    ),
    FileLayout(
        "optode",
        "moored optode: semicolons, decimal points, ISO times, by volume at salinity setting 0",
        "OXY-?_*.txt",
        "^(OXY-[0-9])_",
        "txt",
        Dialect("iso", 1, ";", ".", "-999"),
        ("time",),
        "%Y-%m-%dT%H:%M:%S.%f",
        (
            _C("oxygen", "oxygen_molar", "umol/L", 2, -10.0, 600.0),
            _C("temperature", "temperature", "degC", 3, -2.0, 45.0),
        ),
        preamble=("# optode log", "# sensor {label}; serial {serial}; salinity setting 0"),
    ),
    FileLayout(
        "optode-hand",
        "carried optode: local time in two columns, decimal commas",
        "OXY-H_*.csv",
        "^(OXY-H)_",
        "csv",
        Dialect("dmy", 0, ";", ",", "", split_time=True, zone_hours=5.0, line_end="\r\n"),
        ("day", "clock"),
        "%d.%m.%Y %H:%M:%S",
        (
            _C("O2 [umol/L]", "oxygen_molar", "umol/L", 2, -10.0, 600.0),
            _C("T [degC]", "temperature", "degC", 2, -2.0, 45.0),
        ),
        zone="+05:00",
    ),
    FileLayout(
        "isfet",
        "moored ISFET pH: tabs, date and time in two columns",
        "PHI-?_*.tsv",
        "^(PHI-[0-9])_",
        "tsv",
        Dialect("ymd", 0, "\t", ".", "NaN", split_time=True),
        ("date", "time"),
        "%Y-%m-%d %H:%M:%S",
        (
            _C("pH_T", "ph_total", "", 5, 6.0, 9.5),
            _C("T", "temperature", "degC", 3, -2.0, 45.0),
        ),
        preamble=("# pH on the total scale, in situ",),
    ),
    FileLayout(
        "isfet-hand",
        "carried ISFET pH: blanks, slashes in the date",
        "PHI-H_*.txt",
        "^(PHI-H)_",
        "txt",
        Dialect("ymd_slash", 0, " ", ".", "-99.0", split_time=True),
        ("date", "clock"),
        "%Y/%m/%d %H:%M:%S",
        (
            _C("pH_total", "ph_total", "", 4, 6.0, 9.5),
            _C("temp", "temperature", "degC", 2, -2.0, 45.0),
        ),
    ),
    FileLayout(
        "dye",
        "in-situ dye pH, every fifteen minutes",
        "DYE-*.csv",
        "^(DYE-[A-Z])_",
        "csv",
        Dialect("ymd", 0, ",", ".", "NaN"),
        ("when",),
        "%Y-%m-%d %H:%M:%S",
        (_C("ph_total", "ph_total", "", 4, 6.0, 9.5),),
        preamble=("# spectrophotometric, total scale, in situ temperature",),
    ),
    FileLayout(
        "gas",
        "membrane gas analyser: five-minute means stamped at their end, inlets switched every ten minutes",
        "GAS-*.csv",
        "^(GAS-[A-Z])_",
        "csv",
        Dialect("unix_s", 0, ",", ".", "NaN"),
        ("epoch",),
        "unix_s",
        (
            _C("inlet", "inlet", "", 0, 0.0, 9.0),
            _C("fCO2", "fco2", "uatm", 2, 0.0, 5000.0),
            _C("d13C", "delta13c_co2", "permil", 3, -60.0, 30.0),
        ),
        stamp="end",
        averaging_s=300.0,
    ),
    FileLayout(
        "ctd",
        "temperature, salinity and pressure (with the atmosphere), stamped by the office computer",
        "CTD-*.txt",
        "^(CTD-[0-9])_",
        "txt",
        Dialect("iso", 0, " ", ".", "-9.99"),
        ("time",),
        "%Y-%m-%dT%H:%M:%S",
        (
            _C("temp", "temperature", "degC", 4, -2.0, 45.0),
            _C("sal", "salinity", "psu", 4, 0.0, 42.0),
            _C("pres", "absolute_pressure", "dbar", 3, 0.0, 100.0),
        ),
    ),
    FileLayout(
        "light",
        "light sensor: one-minute means stamped at their start",
        "PAR-*.csv",
        "^(PAR-[0-9])_",
        "csv",
        Dialect("ymd", 0, ",", ".", "NaN"),
        ("time",),
        "%Y-%m-%d %H:%M:%S",
        (_C("par", "par", "umol/m2/s", 1, -5.0, 3000.0),),
        stamp="start",
        averaging_s=60.0,
    ),
    FileLayout(
        "weather",
        "weather mast on the hut: ten-minute means stamped at their end",
        "MET-*.tsv",
        "^(MET-[0-9])_",
        "tsv",
        Dialect("ymd", 0, "\t", ".", "-9999"),
        ("time",),
        "%Y-%m-%d %H:%M:%S",
        (
            _C("wind", "wind_speed", "m/s", 2, 0.0, 75.0),
            _C("p_air", "air_pressure", "hPa", 2, 850.0, 1080.0),
            _C("xCO2", "air_co2", "umol/mol", 2, 200.0, 2000.0),
        ),
        stamp="end",
        averaging_s=600.0,
    ),
    FileLayout(
        "offshore",
        "offshore buoy: spreadsheet days, decimal commas, oxygen by mass",
        "FAR-*.csv",
        "^(FAR-[0-9])_",
        "csv",
        Dialect("serial_1900", 8, ";", ",", ""),
        ("day",),
        "serial_1900",
        (
            _C("pH", "ph_total", "", 4, 6.0, 9.5),
            _C("T", "temperature", "degC", 3, -2.0, 45.0),
            _C("S", "salinity", "", 3, 0.0, 42.0),
            _C("O2", "oxygen", "umol/kg", 2, -10.0, 600.0),
        ),
    ),
)

PROFILER_BINS = 46
PROFILER_FIRST = 0.05
PROFILER_STEP = 0.02


def near_profiler(averaging_s: float) -> FileLayout:
    """Layout of the near-bed profiler: every ping, or means stamped at their start."""
    columns = tuple(
        _C(f"{axis}{number:02d}", f"velocity_{axis}", "mm/s", 0, -4000.0, 4000.0, 1000.0, number)
        for number in range(1, PROFILER_BINS + 1)
        for axis in ("x", "y")
    )
    layout = FileLayout(
        "profiler-near",
        "near-bed profiler: 2 cm bins, whole millimetres per second",
        "PRO-N_*.csv",
        "^(PRO-[A-Z])_",
        "csv",
        Dialect("iso", 0, ",", ".", "NaN"),
        ("time",),
        "%Y-%m-%dT%H:%M:%S",
        columns,
    )
    if averaging_s > 0.0:
        return replace(layout, stamp="start", averaging_s=averaging_s)
    return layout


LAYOUTS: dict[str, FileLayout] = {row.name: row for row in _ROWS}

LAYOUT_OF = {
    "VEL-A": "velocimeter-32",
    "VEL-B": "velocimeter-16",
    "FAST-O": "fast-oxygen",
    "PRO-N": "profiler-near",
    "PRO-W": "profiler-column",
    "OXY-1": "optode",
    "OXY-2": "optode",
    "OXY-3": "optode",
    "OXY-4": "optode",
    "OXY-H": "optode-hand",
    "PHI-1": "isfet",
    "PHI-2": "isfet",
    "PHI-H": "isfet-hand",
    "DYE-P": "dye",
    "GAS-I": "gas",
    "CTD-1": "ctd",
    "PAR-1": "light",
    "MET-1": "weather",
    "FAR-1": "offshore",
}
