"""Makes words.txt: general English words that are not names. Run by hand, seldom.

    python make.py SCOWL_FOLDER

SCOWL_FOLDER holds the lists of SCOWL (Debian package `scowl`, /usr/share/dict/scowl). The
packages `names` (name tables of the US census of 1990) and `Faker` must be installed; no
name list is copied here, they are only taken away. Prints what a person should review.
"""

from __future__ import annotations

import importlib
import pkgutil
import re
import sys
import unicodedata
from pathlib import Path

HERE = Path(__file__).resolve().parent
GENERAL_SIZE, MEDICAL_SIZE = 35, 80  # SCOWL's own measure: smaller is more common
KINDS = ("english", "american", "british", "british_z")
# A common word (by size) stays if at most this share of the US population has it as a surname
# or given name, in percent, and no more than this many locales know it as a name.
RARE = {10: (0.0041, 3), 20: (0.0011, 1)}
MEDICAL = re.compile(
    r"(?:itis|ectomy|ectomies|plasty|plasties|otomy|otomies|ostomy|ostomies|oscopy|oscopies|oscope"
    r"|oscopes|oscopic|osis|oses|otic|oma|omas|emia|aemia|uria|rrhage|rrhoea|rrhea|pathy|plasia"
    r"|trophy|trophic|algia|cele|ectasia|lysis|genic|ology|ologic|ological)"
)
# Names, as written in Latin letters, that are also English words and that the two packages
# hold badly or not at all: Chinese, Korean, Vietnamese, Indian, African. From memory.
_MORE_NAMES = """
    an ban bang bong boon bun cam can chew chin choo dam dang deep ding do dung fan fang foo
    fung gang gong goo gun hang han he hen hoc how hue hung jam joss kit lam lang lay lee lie
    lien loan long low lung mao man men min ming moo nay pan pang pin ping pong poon quick ran
    rang rue sang see sin sing sit so song soon sun sunny tan tang tee thy tin ting to tong tram
    van wan wen wing wong woo yam yap yen yin yip you young ash sham lucky happy prince princess
    comfort patience precious blessing gift justice innocent hope faith charity mercy peace joy
    love pleasure miracle given marvel wonder trust success victory glory fortune beauty queen
    king goodness clement constant noble earnest ernest frank christian angel rose ruby amber
    dawn grace summer autumn ivy iris daisy violet heather holly olive pearl jade robin drew
    chase hunter mason carter cooper parker porter taylor tailor turner walker baker butler
    bishop dean duke earl marshal marshall major miller potter shepherd smith spencer steward
    stewart weaver wright
"""
MORE_NAMES = frozenset(_MORE_NAMES.split())


def words(folder: Path) -> dict[str, int]:
    """Words in lower case by their smallest SCOWL size."""
    out: dict[str, int] = {}
    for size in (10, 20, 35, 40, 50, 55, 60, 70, 80):
        for kind in KINDS:
            path = folder / f"{kind}-words.{size}"
            if path.is_file():
                for word in path.read_text(encoding="latin-1").split():
                    if re.fullmatch(r"[a-z]+", word):
                        out.setdefault(word, size)
    return out


def census() -> dict[str, float]:
    """Share of the US population with a name in 1990, in percent: the larger of last and first."""
    import names

    out: dict[str, float] = {}
    for table in ("dist.all.last", "dist.male.first", "dist.female.first"):
        for line in (Path(names.__file__).parent / table).read_text().splitlines():
            name, share = line.split()[:2]
            out[name.lower()] = max(out.get(name.lower(), 0.0), float(share))
    return out


def languages() -> dict[str, set[str]]:
    """Names in plain Latin letters, and the locales of Faker that know them."""
    import faker.providers.person as persons

    out: dict[str, set[str]] = {}
    for module in pkgutil.iter_modules(persons.__path__):
        provider = importlib.import_module(f"{persons.__name__}.{module.name}").Provider
        for key in dir(provider):
            listed = getattr(provider, key)
            if "name" not in key or "format" in key or callable(listed) or isinstance(listed, str):
                continue
            if key in ("language_names", "romanized_formats") or not hasattr(listed, "__iter__"):
                continue
            for item in listed:
                text = " ".join(map(str, item)) if isinstance(item, (tuple, list)) else str(item)
                plain = unicodedata.normalize("NFKD", text.lower())
                for part in re.findall(r"[a-z]{2,}", re.sub(r"[\u0300-\u036f]", "", plain)):
                    out.setdefault(part, set()).add(module.name)
    return out


def proper(folder: Path) -> set[str]:
    """SCOWL's own proper names up to size 50, in lower case."""
    return {
        word.lower()
        for size in (10, 20, 35, 40, 50)
        for kind in KINDS
        for list_name in ("proper-names", "upper")
        if (path := folder / f"{kind}-{list_name}.{size}").is_file()
        for word in path.read_text(encoding="latin-1").split()
    }


def sections() -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    name = ""
    for line in (HERE / "trade.txt").read_text().splitlines():
        line = line.strip()
        if line.startswith("["):
            name = line.strip("[]")
        elif line and not line.startswith("#"):
            out.setdefault(name, []).append(line)
    return out


def main() -> None:
    folder = Path(sys.argv[1])
    known, share, spoken, upper = words(folder), census(), languages(), proper(folder)
    trade = sections()
    listed = {k: set(" ".join(v).lower().split()) for k, v in trade.items()}

    def is_name(word: str, size: int) -> bool:
        if word in MORE_NAMES or word in listed["names"]:
            return True
        if size not in RARE:
            return word in share or word in spoken or word in upper
        most_share, most_locales = RARE[size]
        return share.get(word, 0.0) > most_share or len(spoken.get(word, ())) > most_locales

    general = sorted(
        word
        for word, size in known.items()
        if (size <= GENERAL_SIZE or (size <= MEDICAL_SIZE and MEDICAL.search(word)))
        and (len(word) > 2 or size == 10)
        and not is_name(word, size)
        and not any(word in listed[k] for k in ("words", "guarded", "small"))
    )
    (HERE / "words.txt").write_text("\n".join(general) + "\n")
    gone = [w for w, s in known.items() if s <= GENERAL_SIZE and is_name(w, s)]
    print(f"{len(general)} words; {len(gone)} left out as names")
    print("left out, most common first:", *sorted(gone, key=lambda w: (known[w], w)))
    for key in ("words", "guarded", "small"):
        told = sorted((share.get(w, 0.0), len(spoken.get(w, ())), w) for w in listed[key]
                      if is_name(w, 20))  # fmt: skip
        print(f"\n[{key}] that are names (word, share in %, languages):")
        print(*(f"{w} {s:g} {n};" for s, n, w in reversed(told)))
    print("\n[words] unknown to SCOWL:", *sorted(listed["words"] - known.keys()))


if __name__ == "__main__":
    main()
