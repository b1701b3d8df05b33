"""The formulas of the method: for the screen in MathML, for paper in the typesetter's notation."""

from __future__ import annotations

from typing import Final

from cgrisk.report.dossier.parts import Formula

__all__ = ["FORMULAS"]


def _i(text: str) -> str:
    return f"<mi>{text}</mi>"


def _n(text: str) -> str:
    return f"<mn>{text}</mn>"


def _o(text: str) -> str:
    return f"<mo>{text}</mo>"


def _t(text: str) -> str:
    return f"<mtext>{text}</mtext>"


def _sub(base: str, below: str) -> str:
    return f"<msub>{base}{_row(below)}</msub>"


def _sup(base: str, above: str) -> str:
    return f"<msup>{_row(base)}{_row(above)}</msup>"


def _under(base: str, below: str) -> str:
    return f"<munder>{base}{_row(below)}</munder>"


def _row(*parts: str) -> str:
    return f"<mrow>{''.join(parts)}</mrow>"


def _frac(top: str, bottom: str) -> str:
    return f"<mfrac>{_row(top)}{_row(bottom)}</mfrac>"


def _math(*parts: str) -> str:
    return f'<math display="block">{_row(*parts)}</math>'


def _most(mass: str) -> str:
    """Return the largest distance past a limit over the flight, actual or planned."""
    height = _sub(_i("h"), _t(mass)) + _o("(") + _i("t") + _o(")")
    limit = _t("lim") + _o("(") + _sub(_i("m"), _t(mass)) + _o("(") + _i("t") + _o("))")
    return _under(_o("max"), _i("t")) + _o("[") + height + _o("−") + limit + _o("]")


_ALPHA: Final = _frac(_i("α"), _n("2"))

FORMULAS: Final[tuple[tuple[str, Formula], ...]] = (
    (
        "The CG in per cent of the mean aerodynamic chord, from moment M about the datum, mass m, "
        "leading edge and length of the chord.",
        Formula(
            _math(
                _i("h"), _o("="), _n("100"),
                _frac(
                    _i("M") + _o("/") + _i("m") + _o("−") + _sub(_i("x"), _t("LEMAC")), _i("c")
                ),
            ),
            'h = 100 (M slash m - x_"LEMAC") / c',
            "h equals 100 times the quotient of M over m less x LEMAC, and c",
        ),
    ),
    (
        "The excess toward the aft limit: how much nearer to it, or further beyond it, a flight "
        "came than its planned path; forward is mirrored. It carries the mass error against a "
        "sloping limit, which the mere CG error does not.",
        Formula(
            _math(_i("D"), _o("="), _most("act"), _o("−"), _most("plan")),
            'D = max_t [h_"act" (t) - lim(m_"act" (t))] - max_t [h_"plan" (t) - '
            'lim(m_"plan" (t))]',
            "D equals the largest over t of h actual less the limit at the actual mass, less the "
            "largest over t of h planned less the limit at the planned mass",
        ),
    ),
    (
        "At the operational limit: the least moment margin L of the flight to the certified limit, "
        "less the moment s by which the planned path may move, at constant mass, before it meets "
        "the operator's envelope. The same flights serve both readings.",
        Formula(
            _math(
                _sub(_i("p"), _t("limit")), _o("="), _i("P"), _o("("), _i("L"), _o("−"), _i("s"),
                _o("&lt;"), _n("0"), _o(")"),
            ),
            'p_"limit" = P(L - s < 0)',
            "p at the limit equals the probability that L less s is below 0",
        ),
    ),
    (
        "The interval of a share of k flights among n (Clopper and Pearson, Biometrika 26:404, "
        "1934), by quantiles B of the beta distribution.",
        Formula(
            _math(
                _sub(_i("p"), _t("low")), _o("="), _i("B"), _o("("), _ALPHA, _o(";"), _i("k"),
                _o(","), _i("n"), _o("−"), _i("k"), _o("+"), _n("1"), _o("),"),
                '<mspace width="1em"/>',
                _sub(_i("p"), _t("high")), _o("="), _i("B"), _o("("), _n("1"), _o("−"), _ALPHA,
                _o(";"), _i("k"), _o("+"), _n("1"), _o(","), _i("n"), _o("−"), _i("k"), _o(")"),
            ),
            'p_"low" = B(alpha/2 ; k, n - k + 1), quad p_"high" = B(1 - alpha/2 ; k + 1, n - k)',
            "p low equals B of alpha half with k and n less k plus 1; p high equals B of 1 less "
            "alpha half with k plus 1 and n less k",
        ),
    ),
    (
        "No event in n flights: an upper bound, never 0.",
        Formula(
            _math(
                _sub(_i("p"), _t("high")), _o("="), _n("1"), _o("−"),
                _sup(_o("(") + _ALPHA + _o(")"), _n("1") + _o("/") + _i("n")),
            ),
            'p_"high" = 1 - (alpha/2)^(1 slash n)',
            "p high equals 1 less the n-th root of alpha half",
        ),
    ),
    (
        "Multilevel splitting: within each stratum s of what happens on few flights, of weight "
        "w, the product over levels j of the share that goes on from each level to the next. "
        "Replicates give the interval (Student's t on the logarithm).",
        Formula(
            _math(
                _i("p"), _o("="), _under(_o("∑"), _i("s")), _sub(_i("w"), _i("s")),
                _under(_o("∏"), _i("j")), _sub(_i("p"), _i("s") + _i("j")),
            ),
            "p = sum_s w_s product_j p_(s j)",
            "p equals the sum over s of w s times the product over j of p s j",
        ),
    ),
    (
        "The buffer at risk a and confidence c: the upper confidence bound U of the quantile of "
        "the excess, and what the assumption range adds.",
        Formula(
            _math(
                _i("b"), _o("="), _sub(_i("U"), _i("c")), _o("["), _sub(_i("Q"), _n("1")
                + _o("−") + _i("a")), _o("("), _i("D"), _o(")]"), _o("+"), _i("A"),
            ),
            "b = U_c [Q_(1 - a) (D)] + A",
            "b equals the bound U c of the quantile of D at 1 less a, plus A",
        ),
    ),
    (
        "Its split by cause i: the mean contribution to the excess of the flights at the quantile; "
        "the parts add up with nothing scaled.",
        Formula(
            _math(
                _sub(_i("b"), _i("i")), _o("="), _i("E"), _o("["), _sub(_i("C"), _i("i")),
                _o("|"), _i("D"), _o("="), _i("q"), _o("],"), '<mspace width="1em"/>',
                _under(_o("∑"), _i("i")), _sub(_i("b"), _i("i")), _o("="), _i("q"),
            ),
            "b_i = E[C_i | D = q], quad sum_i b_i = q",
            "b i equals the expectation of C i given that D equals q; the sum of all b i equals q",
        ),
    ),
    (
        "The plain share of a cause: the variance that goes away when the cause is frozen at its "
        "planned value.",
        Formula(
            _math(
                _sub(_i("S"), _i("i")), _o("="),
                _frac(_i("V") + _o("−") + _sub(_i("V"), _t("frozen ") + _i("i")), _i("V")),
            ),
            'S_i = (V - V_("frozen" i)) / V',
            "S i equals V less V with i frozen, over V",
        ),
    ),
    (
        "The conventional stacks of the worst moments W of the causes: straight sum and root of "
        "squares.",
        Formula(
            _math(
                _under(_o("∑"), _i("i")), _sub(_i("W"), _i("i")), _t(" and "),
                f"<msqrt>{_under(_o('∑'), _i('i'))}"
                f"<msubsup>{_i('W')}{_i('i')}{_n('2')}</msubsup></msqrt>",
            ),
            'sum_i W_i quad "and" quad sqrt(sum_i W_i^2)',
            "the sum of all W i, and the square root of the sum of their squares",
        ),
    ),
)  # fmt: skip
