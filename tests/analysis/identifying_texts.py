# ruff: noqa: E501
"""Generated texts that identify somebody: names in many scripts, split, disguised; dates; numbers.

No real person: given names and surnames are common ones, joined at random. The phone numbers
lie in ranges kept for drama (UK 020 7946 0xxx, US 555-01xx).
"""

from __future__ import annotations

import random
from collections.abc import Iterator

LATIN = """
    Astrid Berglund|Torvald Brekkestad|Maria Gonzalez|Jürgen Müller|Anaïs Lefèvre|Łukasz Wójcik
    |Zoë Vandenberghe|Søren Kjær|Nguyễn Thị Hoa|Tran Van Long|Li Xiaoming|Wang Fang|He Long|An Do
    |Kim Min-jun|Park So-yeon|Chukwuemeka Okafor|Fatima al-Rashid|Priya Raman|Deep Singh
    |Ngozi Adeyemi|Siobhan O'Brien|Angus McDonald|Jean-Luc Marchand|Giulia Rossi|João da Silva
    |Mehmet Yılmaz|Katarzyna Nowak|Aoife Byrne|Sven de Vries|Hoàng Anh|Can Demir|Dilek Kaya
""".strip().split("|")
WORDS_THAT_ARE_NAMES = """
    Mark Green|Will Black|May Long|Grace Hill|Rose Wood|Frank Hunter|Hope Baker|Dawn Young
    |Summer King|Ruby Stone|Amber Bush|Rich Brown|Paris White|Virginia Gray|Grant Little|Bill Short
    |Penny Lane|Iris Field|Ivy Ward|Daisy Page|Chase Walker|Robin Woods|Ray Cook|Sue Bell|Art Rice
    |Guy Price|Miles Cross|Faith Love|Joy Day|Miss Sharp|Jack Frost|Holly Marsh|Pat Best|He An|You Long
    |So Young|Su Lin|Christian Bishop|Drew Carter|Heather Potter|Noble Shepherd|Sunny Prince|Lucky Bright
""".strip().split("|")
OTHER_SCRIPTS = [
    "Анна Ковальчук", "Иванов", "Ольга", "张伟", "王小明", "欧阳", "محمد العلي", "فاطمة", "דוד כהן", "שרה",
    "김민준", "박서연", "राम कुमार", "सीता", "Γιώργος Παπαδόπουλος", "Ελένη", "สมชาย ใจดี", "สุดา",
    "さくら", "山田太郎", "தமிழ்", "Արամ", "ნინო", "አበበ", "ਗੁਰਪ੍ਰੀਤ", "বিপ্লব", "தேவி", "サトウ",
]  # fmt: skip
SURNAMES = ["Berglund", "Brekkestad", "Okafor", "Nowak", "Rossi", "Lefevre", "Wojcik", "Kowalski", "Haugen", "Lindqvist", "Petrov", "Tanaka", "Nguyen", "Schmidt", "Jansen", "Popescu", "Horvath", "Novak", "Silva", "Costa", "Ferrari", "Moreau", "Weber", "Fischer", "Olsen"]
FRAMES = [
    "{}", "Crust clearance, {}", "{}: left side", "Left side, {}", "{} before surgery", "Patient {}",
    "Crusts of {}", "Mrs {}", "{}'s left nostril", "The nose of {} after surgery", "Case {}", "For {}",
]  # fmt: skip
ZERO_WIDTH = (
    "\u200b\u200c\u200d\u2060\ufeff\u00ad\u034f\u180e\u115f\u3164\ufe0f\u200e\u202e\U000e0061\ue000"
)
LOOK_ALIKES = {
    "a": "а",
    "e": "е",
    "o": "о",
    "c": "с",
    "p": "р",
    "x": "х",
    "i": "і",
    "A": "Α",
    "B": "Β",
}
LEET = str.maketrans("aeiosAEIOS", "4310543105")
MONTHS = ["January", "February", "March", "April", "June", "July", "August", "September", "October", "November", "December"]
DIGIT_WORDS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]


def identifying(seed: int = 20, each: int = 60) -> Iterator[tuple[str, str]]:
    """Pairs (kind, text)."""
    rng = random.Random(seed)
    people = [n.strip() for n in LATIN + WORDS_THAT_ARE_NAMES]

    def framed(text: str) -> str:
        return rng.choice(FRAMES).format(text)

    for name in people:
        yield "name", name
        yield "name", framed(name)
        yield "name, small", framed(name.lower())
        yield "name, capitals", framed(name.upper())
    for name in OTHER_SCRIPTS:
        yield "other script", name
        yield "other script", framed(name)
    for name in SURNAMES:
        yield "surname", name
        yield "surname", framed(rng.choice([name, name.lower(), name.upper()]))
    for _ in range(each):
        name = rng.choice(SURNAMES)
        at = rng.randint(1, len(name) - 1)
        yield "split unseen", framed(name[:at] + rng.choice(ZERO_WIDTH) + name[at:])
        yield "word with an unseen one", "Cru" + rng.choice(ZERO_WIDTH) + "st clearance"
        yield "spelled", framed(rng.choice([" ", "-", ".", " . ", "_", "\u00a0"]).join(name))
        yield "look-alike", framed("".join(LOOK_ALIKES.get(c, c) for c in name))
        yield "leet", framed(name.translate(LEET))
        yield (
            "initials",
            framed(
                rng.choice(["{}. {}.", "{}.{}.", "{} {}", "{}{}"]).format(
                    *rng.sample("BDEFGHJKLMNPQRSTUWYZ", 2)
                )
            ),
        )
    for _ in range(each * 2):
        year, month, day = rng.randint(1920, 2026), rng.randint(1, 12), rng.randint(1, 28)
        yield "date", framed(
            rng.choice(
                [f"{year}-{month:02d}-{day:02d}", f"{day}.{month}.{year}", f"{day:02d}/{month:02d}/{year}",
                 f"{month}/{day}/{year % 100:02d}", f"{year}{month:02d}{day:02d}", f"{day:02d}{month:02d}{year}",
                 f"{day:02d} {month:02d} {year % 100:02d}", f"{day:02d}_{month:02d}_{year}", f"{day}.{month}.",
                 f"{day} {MONTHS[month % 11]} {year}", f"{MONTHS[month % 11]} {day}", f"{day}/{month}",
                 f"{day}-{month}-{year % 100:02d}", f"{year}", f"{day}. {month}. {year % 100:02d}",
                 f"{MONTHS[month % 11][:3].upper()}{year}", f"nineteen sixty-{DIGIT_WORDS[1 + day % 9]}"]
            )
        )  # fmt: skip
        number = rng.randint(10_000, 99_999_999)
        digits = f"{number:08d}"
        yield "number", framed(
            rng.choice(
                [f"HN{number}", f"MRN {number}", f"{number}", f"tel +44 20 7946 0{number % 1000:03d}",
                 f"202-555-01{number % 100:02d}", f"020 7946 0{number % 1000:03d}", " ".join(digits),
                 f"{digits[:2]} {digits[2:4]} {digits[4:6]}", f"A{digits[:3]}-{digits[3:]}", f"Bed {digits[:3]}",
                 " ".join(DIGIT_WORDS[int(c)] for c in digits[:5]), f"{digits[:3]}-{digits[3:5]}",
                 f"no. {digits[:2]}", f"patient {digits[:2]}", f"{digits[:4]}", f"{digits[:3]},{digits[3:6]}",
                 digits.translate(str.maketrans("0123456789", "٠١٢٣٤٥٦٧٨٩")), f"{digits[:3]}mm{digits[3:]}",
                 ", ".join(digits), f"#{digits[:3]}", f"x{digits[:3]}", f"1:{digits}", f"{digits[:2]}:{digits[2:4]}"]
            )
        )  # fmt: skip
    for text in (
        "nose@example.org", "www.example.org", "192.0.2.17", "SW1A 1AA", "12 Field Stop Road", "Solberg^Ingrid",
        "12 left 3 right 67 after", "day 12 of month 3 year 67", "the twelfth of the third, sixty-seven", "'67",
        "double four treble seven nine", "aged ninety-four", "at the age of one hundred and two", "bed twelve",
        "12 mm 03 mm 67 mm", "clinic.example", "lives in Nice", "Reading, left side", "Mobile", "Miss Nurse",
        "a 93-year-old with crusts", "95 years old", "MariaB", "left_maria", "Born in nineteen sixty",
    ):  # fmt: skip
        yield "other", text
