"""The command line: commands, progress, messages.

Here:     parse, call one function, print.
Not here: any computation.
Rules:    people read stderr; `--json` puts one machine-readable result on stdout.
"""
