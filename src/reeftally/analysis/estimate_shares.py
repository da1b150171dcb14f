"""Shares of the sources that the book states, from the carbon-13 of the added carbon.

Here:     rows of two or three sources with errors, and the posterior bounded to 0 to 1 beside them.
Not here: the source of the added carbon (`estimate_isotopes`), the equations (`reeftally.ledger.mix`).
Rules:    a source that is not resolved is not shared out; where one tracer cannot part three sources, the row says that
          it is mostly its prior; a share beyond 0 or 1 is shown as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from reeftally import ledger
from reeftally.analysis.estimates import Estimate, iso
from reeftally.errors import NoSolutionError
from reeftally.ledger import SourceEstimate

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["estimate_shares"]

QUANTITY = "source_share"


def estimate_shares(
    chain: Chain, source: SourceEstimate, candidates: Mapping[str, tuple[float, float]], *, n: int
) -> None:
    """Write the share of every candidate in the added carbon; nothing unless two or three are stated.

    Parameters
    ----------
    source : SourceEstimate
        Of the added carbon.
    candidates : mapping
        Name to (δ13C, standard uncertainty). [‰]
    n : int
        Samples behind the source.
    """
    if len(candidates) not in (2, 3):
        return
    whole = chain.spans[0]
    common: dict[str, Any] = {
        "quantity": QUANTITY, "period": "mission", "start": iso(whole.start_ns), "end": iso(whole.end_ns), "unit": "1",
        "n": n, "trail": "isotopes",
    }  # fmt: skip
    names = list(candidates)
    method = f"{len(names)}_sources"

    def refuse(reason: str) -> None:
        for name in names:
            chain.estimates.add(
                Estimate(
                    **common, method=method, subject=name, value=None, lower=None, upper=None, flag=4, reason=reason
                )
            )

    if not source.resolved:
        refuse("not resolved: the source of the added carbon is not, so it is not shared out")
        return
    ends, sds = zip(*candidates.values(), strict=True)
    try:
        found = ledger.mix(mixture=source.value, sources=ends, mixture_sd=source.sd, sources_sd=sds)
    except NoSolutionError as error:
        refuse(f"not resolved: {error}")
        return
    stated = ", ".join(f"{name} {value:g} ± {sd:g} ‰" for name, (value, sd) in candidates.items())
    for index, name in enumerate(names):
        if len(names) == 2:
            beyond = "; the interval leaves 0 to 1, so read the bounded one" if found.bounded else ""
            chain.estimates.add(
                Estimate(
                    **common, method=method, subject=name, value=float(found.share[index]),
                    lower=float(found.lower[index]), upper=float(found.upper[index]), random_sd=float(found.sd[index]),
                    systematic_sd=0.0, reason=f"of {stated}{beyond}",
                )
            )  # fmt: skip
        prior = "" if len(names) == 2 else f"; one tracer cannot part three sources: prior sd {found.prior_sd:.2f}"
        chain.estimates.add(
            Estimate(
                **common, method=f"{method}_bounded", subject=name, value=float(found.posterior_mean[index]),
                lower=float(found.posterior_lower[index]), upper=float(found.posterior_upper[index]),
                random_sd=float(found.posterior_sd[index]), systematic_sd=0.0,
                flag=1 if len(names) == 2 else 3, reason=f"of {stated}, uniform prior on the shares{prior}",
            )
        )  # fmt: skip
