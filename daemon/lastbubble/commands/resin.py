"""`lastbubble resin`: lots of resin, where they stood, how old they are, what spoils them."""

from __future__ import annotations

import argparse
import json

from lastbubble.commands._book import ask_book, book_options, who

SUMMARY = "lots of resin: opened, topped up, warm or cold, how old, contaminated"

_ACTS = {
    "top-up": ("topped_up", "fresh resin was added"),
    "put": ("moved", "it stands somewhere else, or did for a while"),
    "read": ("measured", "a thermometer stood beside it"),
    "taint": ("contaminated", "it is contaminated"),
    "thick": ("thickened", "it was seen to thicken"),
    "end": ("ended", "it is used up or disposed of"),
    "note": ("note", "anything else"),
}


def configure(parser: argparse.ArgumentParser) -> None:
    common = book_options()
    told = argparse.ArgumentParser(add_help=False)
    told.add_argument("--when", default="", help="'40 min ago', '14:30', '2026-03-01' or '2026-03-01 09:00'; else now")
    told.add_argument("--memory", action="store_true", help="told from memory, and marked so")
    told.add_argument("--who", default=who(), help="who tells it")
    acts = parser.add_subparsers(dest="act", required=True, metavar="act")
    new = acts.add_parser("open", help="begin a lot: a bottle opened, or resin mixed with its initiator",
                          parents=[common, told])  # fmt: skip
    new.add_argument("lot", help="its name, for good, as 'spring 1'")
    new.add_argument("--mass", help="how much, as '2.1 kg'")
    new.add_argument("--density", help="of the liquid, as '1.06 g/ml'")
    new.add_argument("--initiator", help="AIBN, benzoyl peroxide, ...: look it up on the safety data sheet")
    new.add_argument("--keeps", help="how long it keeps by its label, as '180 d'")
    new.add_argument("--keeps-at", help="at which temperature, as '5 degC' (the default)")
    new.add_argument("--place", default="fridge", help="fridge, freezer, cellar, bench, pump (beside it, warm)")
    new.add_argument("--note", default="")
    for act, (_, line) in _ACTS.items():
        one = acts.add_parser(act, help=line, parents=[common, told])
        one.add_argument("lot")
        if act == "top-up":
            one.add_argument("--mass", help="how much was added, as '500 g'")
            one.add_argument("--from", dest="source", help="out of this other lot; without it: fresh from the supplier")
        elif act == "put":
            one.add_argument("place", help="fridge, freezer, cellar, bench, pump (beside it, warm)")
            one.add_argument("--for", dest="minutes", help="only that long, then back: '40 min'")
            one.add_argument("--temperature", help="measured there, as '34 degC'")
        elif act == "read":
            one.add_argument("place", help="where the thermometer stood")
            one.add_argument("temperature", help="as '6 degC'")
        elif act in ("taint", "note"):
            one.add_argument("what", help="with what, as 'red dye'" if act == "taint" else "the note")
    use = acts.add_parser("use", help="this lot is in the chamber, in the open batch or the one told", parents=[common])
    use.add_argument("lot")
    use.add_argument("--batch", type=int)
    use.add_argument("--who", default=who())
    show = acts.add_parser("show", help="all lots as they are now, or one", parents=[common])
    show.add_argument("lot", nargs="?", default="")
    parser.epilog = (
        "examples:\n"
        "  lastbubble resin open 'spring 1' --mass '2.1 kg' --keeps '180 d' --when 2026-03-01 --memory\n"
        "  lastbubble resin put 'spring 1' pump --for '40 min' --temperature '34 degC'\n"
        "  lastbubble resin use 'spring 1'\n"
        "  lastbubble resin top-up 'spring 1' --mass '500 g'\n"
        "  lastbubble resin read 'spring 1' fridge '6 degC'\n"
        "  lastbubble resin taint 'spring 1' 'red dye'\n"
        "  lastbubble resin note 'spring 1' 'runs like water'\n"
        "  lastbubble resin thick 'spring 1' --when '2 d ago' --memory\n"
        "  lastbubble resin end 'spring 1'\n"
        "  lastbubble resin show"
    )


def run(args: argparse.Namespace) -> int:
    from lastbubble.book.lots_view import lot_lines

    request = _request(args)
    answer = ask_book(args, request)
    if args.json:
        print(json.dumps(answer, ensure_ascii=False))
        return 0
    lots = answer["lots"] if "lots" in answer else [answer["lot"]]
    if "batch" in answer:
        print(f"batch {answer['batch']} has this resin:")
    for lot in lots:
        print("\n".join(lot_lines(lot)))
    if not lots:
        print("no lot yet; begin one with: lastbubble resin open NAME")
    return 0


def _request(args: argparse.Namespace) -> dict[str, object]:
    if args.act == "show":
        return {"ask": "resin_show", "lot": args.lot}
    if args.act == "use":
        return {"ask": "batch_resin", "lot": args.lot, "batch": args.batch, "who": args.who}
    told = {"lot": args.lot, "when": args.when, "memory": args.memory, "who": args.who}
    if args.act == "open":
        facts = ("mass", "density", "initiator", "keeps", "keeps_at", "place", "note")
        return {"ask": "resin_open", **told, **{name: getattr(args, name) for name in facts}}
    names = ("mass", "place", "minutes", "temperature", "what")
    more = {name: getattr(args, name, None) for name in names}
    return {"ask": "resin_event", "kind": _ACTS[args.act][0], "from": getattr(args, "source", None), **told, **more}
