"""What the PIO does by itself: counts edges, latches counts, collects a gauge's bits. Three programs; README.md draws them.

Every program sees its own pins from `in_base` on. The words they push are taken apart in inputs.py.
"""

from rp2 import PIO, asm_pio


@asm_pio(in_shiftdir=PIO.SHIFT_LEFT, out_shiftdir=PIO.SHIFT_RIGHT, fifo_join=PIO.JOIN_RX)
def quadrature():
    """Counts the steps of two lines in Y, and tells the count whenever `jmp_pin` changes.

    Pins: B, A. OSR: the last two states of the lines, 2 A + B each. X: the level of `jmp_pin` last told, 0 or all ones.
    A word: 25 bits of Y, the step on its way (state before, state after), whether `jmp_pin` is high, the lines 31 cycles later.
    Y begins far from 0, since `y_dec` must not find 0 (see start in inputs.py).

    The table is addressed by the step, so that the program must stand at 0; it fills the memory and can stand nowhere else.
    """
    jmp("look")  # 00 00
    jmp(y_dec, "look")  # 00 01: B rises before A, down
    jmp("up")  # 00 10
    jmp("illegal")  # 00 11: an edge was missed
    jmp("up")  # 01 00
    jmp("look")  # 01 01
    jmp("illegal")  # 01 10
    jmp(y_dec, "look")  # 01 11
    jmp(y_dec, "look")  # 10 00
    label("illegal")
    irq(rel(0))  # 10 01: and on through the next, which does nothing
    jmp("look")  # 10 10
    jmp("up")  # 10 11
    jmp("illegal")  # 11 00
    jmp("up")  # 11 01
    jmp(y_dec, "look")  # 11 10
    label("look")
    wrap_target()
    out(isr, 2)  # 11 11, where nothing is to be done
    in_(pins, 2)[31]  # the lines, and then `jmp_pin`: see README.md, "Why the pulse is told so"
    mov(osr, isr)
    jmp(pin, "high")
    jmp(not_x, "step")
    label("tell")
    mov(x, invert(x))
    in_(y, 25)
    in_(osr, 4)
    in_(x, 1)[31]
    in_(pins, 2)
    push(noblock)
    label("step")
    mov(pc, osr)
    label("high")
    jmp(not_x, "tell")
    mov(pc, osr)
    label("up")
    mov(y, invert(y))
    jmp(y_dec, "back")
    label("back")
    mov(y, invert(y))
    wrap()


@asm_pio(out_init=PIO.OUT_LOW, in_shiftdir=PIO.SHIFT_LEFT, out_shiftdir=PIO.SHIFT_RIGHT)
def strobe():
    """Sets its pin to the level that a word asks for: at once, or at the next change of two lines.

    The word: bit 0 whether to wait for a change, bit 1 the level. Every counter tells its count as the pin changes, so that all
    counts are of one instant. The 62 cycles in front give the slowest counter time to see the change that was waited for.
    """
    wrap_target()
    pull()
    out(x, 1)
    jmp(not_x, "now")
    mov(isr, null)
    in_(pins, 2)
    mov(x, isr)
    label("watch")
    mov(isr, null)
    in_(pins, 2)
    mov(y, isr)
    jmp(x_not_y, "changed")
    jmp("watch")
    label("changed")
    nop()[30]
    nop()[30]
    label("now")
    mov(pins, osr)
    wrap()


@asm_pio(in_shiftdir=PIO.SHIFT_LEFT, autopush=True, push_thresh=24, fifo_join=PIO.JOIN_RX)
def gauge():
    """Collects what a gauge clocks out, bit by bit at the falling edge, until the clock has been high for a pause.

    Pins: data, clock, which is `jmp_pin` too. The first word to the program is the pause in steps of two cycles. At the first bit an
    interrupt; at the pause the bits, 24 a word and what is left, the first one highest, and then a word with all ones but for the
    number of bits, inverted. So the last word has bits above the 24th and no other one has.
    """
    pull()
    wrap_target()
    mov(y, invert(null))
    wait(0, pin, 1)
    irq(rel(0))
    label("bit")
    in_(pins, 1)
    jmp(y_dec, "counted")
    label("counted")
    wait(1, pin, 1)
    mov(x, osr)
    label("high")
    jmp(pin, "still")
    jmp("bit")
    label("still")
    jmp(x_dec, "high")
    push(noblock)
    in_(y, 32)
    wrap()
