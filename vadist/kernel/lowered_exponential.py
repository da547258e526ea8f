"""The exponential less one in LLVM's language, for one lane or for many."""

from typing import Protocol

from llvmlite import ir

from vadist.devices import exponential as e

_FLAGS = ("contract", "nsz", "arcp")


class _Lowering(Protocol):
    at: ir.IRBuilder
    precision: str

    def number(self, value: float, like: ir.Value) -> ir.Constant: ...

    def extreme(self, name: str, a: ir.Value, b: ir.Value) -> ir.Value: ...


def exponential_less_one(lowering: _Lowering, x: ir.Value) -> ir.Value:
    """e**x - 1; the same as :mod:`vadist.devices.exponential`, whose numbers it takes.

    Parameters
    ----------
    lowering : what the instructions are added to
    x : a real, or a vector of them
    """
    at, single = lowering.at, lowering.precision == "float32"
    end = "_F" if single else ""
    bits, shift = (ir.IntType(32), 23) if single else (ir.IntType(64), 52)
    shifts = ir.Constant(bits, shift)
    if isinstance(x.type, ir.VectorType):
        bits = ir.VectorType(bits, x.type.count)
        shifts = ir.Constant(bits, [shift] * x.type.count)

    def number(name: str) -> ir.Constant:
        return lowering.number(float(getattr(e, name)), x)

    def times(a: ir.Value, b: ir.Value) -> ir.Value:
        return at.fmul(a, b, flags=_FLAGS)

    def plus(a: ir.Value, b: ir.Value) -> ir.Value:
        return at.fadd(a, b, flags=_FLAGS)

    def minus(a: ir.Value, b: ir.Value) -> ir.Value:
        return at.fsub(a, b, flags=_FLAGS)

    largest = float(getattr(e, f"_LARGEST{end}"))
    x = lowering.extreme("max", x, lowering.number(-largest, x))
    x = lowering.extreme("min", x, lowering.number(largest, x))
    # These two must not be told apart from what they say.
    shifted = at.fadd(
        at.fmul(x, number(f"_LOG2_E{end}"), flags=("contract",)), number(f"_SHIFT{end}"),
        flags=("contract",),
    )  # fmt: skip
    k = at.fsub(shifted, number(f"_SHIFT{end}"))
    r = minus(minus(x, times(k, number(f"_LN2_HIGH{end}"))), times(k, number(f"_LN2_LOW{end}")))
    if single:
        p = number("_F6")
        for name in ("_F5", "_F4", "_F3", "_F2"):
            p = plus(times(p, r), number(name))
        p = plus(times(times(p, r), r), r)
    else:
        s = times(r, r)
        q = times(s, s)
        c = [number(f"_C{k}") for k in range(2, 12)]
        low = plus(times(plus(times(c[3], r), c[2]), s), plus(times(c[1], r), c[0]))
        middle = plus(times(plus(times(c[7], r), c[6]), s), plus(times(c[5], r), c[4]))
        high = plus(times(plus(times(plus(times(c[9], r), c[8]), q), middle), q), low)
        p = plus(times(high, s), r)
    word = at.shl(at.bitcast(shifted, bits), shifts)
    power = at.bitcast(word, x.type)
    return plus(times(power, p), minus(power, lowering.number(1.0, x)))
