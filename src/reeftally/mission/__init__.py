"""The mission book: typed model of `mission.toml` and `layouts/*.toml`, its checks, its revisions, its log.

Here:     what was where, when, how calibrated, and who decided what.
Not here: samples (`store`), reading raw files (`intake`).
Rules:    unknown keys are refused; nothing is guessed; every message names the key, found, wanted, mend.
"""
