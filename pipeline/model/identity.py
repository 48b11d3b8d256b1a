"""Does a text that will leave (case name, title, chapter) look as if it named a person?

Rules only, no look-up of real people. A rule that fires means 'a person must
look', so the rules lean towards firing, but not on pseudonyms such as HL-0142
or on the words of the trade. What fired is told by kind; the text is never
repeated in a message.

Sources. The kinds of identifier are those of HIPAA 45 CFR 164.514(b)(2)(i):
names, places, dates except the year, phone, fax, e-mail, record, account and
licence numbers, device serials, URLs, IP addresses, ages over 89. The NHS
number check is the modulus 11 rule of the NHS Data Dictionary ("NHS NUMBER":
weights 10 to 2, remainder taken from 11, 11 counts as 0, 10 is invalid). Other
patterns (surname and given name, hospital number) are common practice, no
source; the given names are common ones, from memory.
"""

from __future__ import annotations

import datetime
import re
import unicodedata

_MONTHS = (
    "january|february|march|april|may|june|july|august|september|october|november|december"
    "|jan|feb|mar|apr|jun|jul|aug|sept|sep|oct|nov|dec"
    "|januar|februar|m\u00e4rz|mai|juni|juli|oktober|dezember|marts|maj"
    "|janvier|f\u00e9vrier|mars|avril|juin|juillet|ao\u00fbt|septembre|octobre|novembre|d\u00e9cembre"
    "|enero|febrero|marzo|abril|mayo|junio|julio|agosto|septiembre|octubre|noviembre|diciembre"
)
_YEAR = r"(?:18|19|20|21)\d\d"
_EMAIL = re.compile(r"[\w.+-]+\s?(?:@|\(at\)|\[at\])\s?[\w-]+(?:\.[\w-]+)+", re.I)
_URL = re.compile(r"https?:|\bwww\.|\b[a-z0-9-]+\.(?:com|org|net|info|edu|gov|nhs\.uk)\b", re.I)
_IP = re.compile(
    r"(?<![\d.])(?:\d{1,3}\.){3}\d{1,3}(?![\d.])|\b(?:[0-9a-f]{2}[:-]){5}[0-9a-f]{2}\b", re.I
)
_NUMERIC_DATE = re.compile(
    r"(?<!\d)(\d{4}|\d{1,2})\s?([-./_ ])\s?(\d{1,2})\s?\2\s?(\d{4}|\d{2})(?!\d)"
)
_DAY_AND_MONTH = re.compile(
    rf"\b\d{{1,2}}(?:st|nd|rd|th|\.)?[\s_-]*(?:of\s)?(?:{_MONTHS})(?![^\W\d_])"
    rf"|\b(?:{_MONTHS})\.?[\s_-]*\d{{1,2}}(?:st|nd|rd|th)?\b"
    rf"|\b(?:{_MONTHS})\.?,?[\s_-]*{_YEAR}\b",
    re.I,
)
_BORN = re.compile(
    r"\b(?:born(?:\s+on)?|d\.?o\.?b\.?|date of birth|birth\s?(?:date|day)|geb(?:oren)?\.?"
    r"|f\u00f8dt|n\u00e9e?\s+le)"
    r"[\s:.,=-]*\d",
    re.I,
)
_CLOCK = re.compile(r"(?<![\d:])(?:[01]\d|2[0-3]):[0-5]\d(?::[0-5]\d)?(?![\d:])")
_RECORD = re.compile(
    r"\b(?:mrn|m\.r\.n\.|urn|nhs|chi|cpr|ssn|nhi|mbi|pid|ahv|pesel|hosp(?:ital)?"
    r"|med(?:ical)?\s?rec(?:ord)?|patient|pat|pt|acc(?:ession|ount)?|chart|record|insurance"
    r"|policy|licen[cs]e|passport|serial|s/n|sn)"
    r"[\s_.:#-]*(?:id|no|nr|num|number|ref|n\u00b0|\u2116)?[\s_.:#-]*(?=[A-Z0-9/-]*\d{3})[A-Z0-9/-]*\d",
    re.I,
)
_PHONE_WORD = re.compile(
    r"\b(?:tel(?:e(?:phone|fon))?|phone|ph|mob(?:ile)?|cell|call|fax|whatsapp|tlf|handy)\b"
    r"[\s:.=-]*[+(]?\d[\d\s()./-]{4,}\d",
    re.I,
)
_PLUS = re.compile(r"(?<![\w])(?:\+|00)\s?\d{1,3}[\s()./-]*\d[\d\s()./-]{4,}\d")
_BRACKET = re.compile(r"\(0?\d{2,5}\)\s?\d[\d\s./-]{3,}\d")
_GROUPS = re.compile(r"(?<![\d])\d{2,5}(?:[\s./_-]\d{2,5}){1,5}(?!\d)")
_LONG = re.compile(r"(?<!\d)\d{7,}(?!\d)")
_SIX = re.compile(r"(?<!\d)(\d\d)(\d\d)(\d\d)(?!\d)")
_AGE = re.compile(
    r"\b(9\d|1[0-2]\d)[\s-]?(?:years?|yrs?|y)(?:[\s-]?o(?:ld)?)?\b|\b(?:aged?|age:)\s?(9\d|1[0-2]\d)\b",
    re.I,
)
_STREET = re.compile(
    r"\b\d{1,4}[a-z]?,?\s+(?:[A-Z][\w'-]+\s+){1,3}(?:[Ss]treet|[Rr]oad|[Rr]d|[Aa]venue|[Ll]ane|[Dd]rive|[Cc]lose|[Ww]ay|St|Ave)\b"
    r"|\b[A-Z][a-z\u00df-\u00ff]+(?:stra\u00dfe|strasse|gade|vej|gatan|straat|weg)\s+\d{1,4}\b",
)
_POSTCODE = re.compile(r"\b[A-Z]{1,2}\d[A-Z\d]?\s\d[A-Z]{2}\b")
_HONORIFIC = re.compile(
    r"\b(?:mr|mrs|ms|miss|mx|dr|prof|sir|herr|frau|hr|fr|mme|mlle|se\u00f1ora?|sra?|signora?|dhr|mevr)\b"
    r"\.?\s+(?:[A-Z]\.\s*)*[A-Z\u00c0-\u00de][\w'-]+",
    re.I,
)
_HONORIFIC_SMALL = {"miss", "sir", "fr", "hr", "ms", "sr", "sra", "dr", "mr"}
_LABELLED = re.compile(
    r"\b(?:patient|pat|pt|name|surname|forename|client)\b\.?\s*[:=,-]?\s+"
    r"((?:[^\W\d_][\w'-]*\s?){1,3})",
    re.I,
)
_CARET = re.compile(r"[^\W\d_]{2,}\^[^\W\d_]*")
_INITIAL = re.compile(r"(?<![\w.])(?:[A-Z]\.\s?)+([A-Z][a-z\u00df-\u00ff]+)\b")
_WORD = re.compile(r"[^\W\d_][^\W\d_'\u2019-]*(?:['\u2019-][^\W\d_]+)*")

# Common given names in several languages, from memory. Left out where the word
# is also an ordinary word of a title (Mark, Grace, Will, Rose, Iris, Frank ...).
_GIVEN_TEXT = """
    aaron abdul abigail adam adrian agnes ahmed aisha alan albert alejandro alexander alexandra
    alfred ali alice alicia alison amanda amelia amina amy ana andrea andreas andrew angela
    anita anja ann anna anne annette anthony antonio arthur astrid audrey barbara beatrice
    benjamin bernard betty birgit bjorn bob brenda brian bruce camilla carl carla carlos carmen
    caroline catherine cecilia charles charlotte chloe christian christina christine christopher
    claire clara claudia colin connor craig cynthia daniel daniela david deborah denise dennis
    derek diana diego dieter dmitri dominic donald donna dorothy douglas duncan dylan edith
    edward eileen elaine eleanor elena elisabeth elizabeth ella ellen emily emma eric erik erika
    ernest esther ethan eugene eva evelyn fatima felix fernando fiona florence frances francesca
    francesco francis francois franz freya frida friedrich gabriel gareth gary geoffrey george
    gerald gerard gertrude giovanni giulia gloria gordon graham gregory greta gudrun guido
    gunter gustav guy hamza hannah hans harold harry hassan heather heidi heinrich helen helena
    helga henri henrik henry herbert hilda hiroshi howard hugh hugo hussein ibrahim ida ingrid
    irene isaac isabel isabella ivan jacob jacqueline jake james jamie jan jane janet jason
    javier jean jennifer jens jeremy jessica joan joanna joao johan johann johannes john jonas
    jonathan jorge jose josef joseph joshua juan judith julia julian julie juergen jurgen karen
    karin karl katarzyna katherine kathleen kathryn katie keith kelly kenneth kerstin kevin
    khalid kirsten klaus kristin kurt laila lars laura lauren leah lena leonard leslie liam
    linda lisa lorenzo louis louise luca lucas lucia lucy luis lukas lydia magdalena magnus
    manfred manuel marco margaret margarita margit maria mariam marie marina mario marion marta
    martha martin martina mary mateusz matthew maureen max maximilian megan mehmet mei melanie
    melissa mia michael michelle miguel mikael mohamed mohammad mohammed monica monika morten
    muhammad nadia nancy naomi natalia natalie natasha nathan neil nicholas nicola nicole niels
    nigel nikolai nina noah nora norman olaf oliver olivia omar oscar owen pablo pamela paola
    patricia patrick paul paula paulina pauline pedro peter petra philip philippe phyllis pierre
    piotr priya rachel rafael rajesh ralph raymond rebecca renate richard robert roberto robin
    roger roland ronald rosemary rosa ruth ryan sabine sally salma samantha samuel sandra sara
    sarah sean sebastian sergei sharon sheila shirley sigrid silvia simon sofia sonia sophia
    sophie stefan stephanie stephen steven stuart sunita susan susanne suzanne svetlana sven
    sylvia tatiana teresa theodore theresa thomas tiffany timothy tobias tomas tracy tristan
    ulrich ulrike ursula valentina vanessa vera veronica victor victoria vincent viktor vladimir
    wanda walter wei wendy werner wilhelm william wolfgang xavier yasmin yolanda yuki yusuf
    yvonne zainab zoe sylvie bjarne soren søren jürgen günter björn josé françois andré rené
    hélène müller chloé joão zoë mónica maría jesús ángel inés øyvind åse
"""
_GIVEN = frozenset(_GIVEN_TEXT.split())
# Words that a title of this trade holds, with a capital or without.
_TRADE_TEXT = """
    a access acute adenoid adenoids adrenaline after agger aid air airway all allergic an
    anatomy and anterior antrostomy antrum approach area at atlas balloon base basic before
    begin biopsy blakesley bleeding blood body bone both bulla bullosa by caldwell canal cannula
    care case cases catheter cautery cavity cell cells cerebrospinal change check children
    choana choanal chronic clean cleaning clear clearance clearing clinic clip clot close closed
    clinical concha congested control copy course crust crusts csf culture curette cyst day days
    debridement deep defect demo demonstration denker deviated deviation device diagnosis
    disease dissection dissector distal donor double drainage drain draf dressing drill dry ear
    eardrum early edge edema edition elevator empty end endonasal endoscope endoscopic entry
    ethmoid ethmoidal ent eustachian exam examination example exercise exit external fascia fess
    final finding first fistula flap floor flow fluid fog fogged fogging follow foreign forceps
    fossa fovea frontal full fungal fungus general graft green grommet guide haemorrhage haller
    hasner head healed healing healthy hemorrhage high hole how hypertrophy image implant in
    incision infection inferior injection inside instrument instruments introduction inverted
    irrigation its jaw jet juvenile keros kerrison kiesselbach killian knife laser last lateral
    lavage laryngeal larynx left lens lesion level lesson little local long loss lothrop low
    lower lund lumen lump mackay mask mass massive maxillary meatus medial membrane
    messerklinger microdebrider midline middle mild minor model modified mouth mucocele mucosa
    mucosal mucus myringotomy narrow nasal nasi nasolacrimal nasopharynx neck needle neo new no
    normal nose nostril number obstruction office old olfactory on one onodi open operation
    opening optic oral orbit orbital osteomeatal ostium otoscopy outside overview pack packing
    pain papilloma part patency patent pathology patient perforated perforation pharynx photo
    plane polyp polyps pool position posterior postoperative practice preoperative pressure
    primary probe problem procedure proximal pulsation pus quick radical recess recurrence
    recurrent red removal remove repair repeat rest result retraction revision rhinolith right
    ring rigid rinse roof room root round routine saline scar scissors scope second secretion
    see septal septum series session severe sheath short show side silicone simple single sinus
    sinuses skull slow small soft space specimen speculum sphenoid sphenoidal spine splint spray
    spur stage stamm standard start stenosis step steps stent still stone stop straight study
    suction superior surgery surgical suture swab swelling synechia synechiae system teaching
    technique test the thick third three throat tip tissue to tongue tonsil tonsils tool tools
    top topical total training transnasal trauma treatment tube tumor tumour turbinate
    turbinates two type tympanic ulcer uncinate unilateral upper use using vessel video view
    viewing visit visual vocal volume wall wash washout wax week weeks weil what when wide
    wigand window with without work wound year years yellow zone bilateral biofilm cholesteatoma
    cords crista denkers dorsum ethmoidalis eye eyes galli ground hiatus infundibulum lamella
    lamina landmarks lothrops maxilla mastoid meatal nasoseptal ossicle papyracea pituitary
    rathke semilunaris sella tutorial ventilation vestibule vomer bladder knee joint joints
    shoulder hip cartilage ligament meniscus uterus uterine tubal ureter ureteral ureteric
    urethra urethral kidney renal stones prostate prostatic liver hepatic bile duct ducts
    gallbladder bowel colon hernia mesh port ports trocar pelvis pelvic peritoneum peritoneal
    abdomen abdominal lung pleura pleural thorax thoracic bronchus bronchial trachea tracheal
    airways glottis glottic subglottic supraglottic vallecula epiglottis cyclops lacrimal dacryo
    sac frontalis optical acoustic drum malleus incus stapes cochlea cochlear attic tegmen
    tendon cuff labrum bankart zenker schatzki barrett nissen latarjet foley hopkins reinke
    zuckerkandl valsalva toynbee woakes wegener churg strauss samter pott potts muller about
    answer answers artery arteries battery bead best button card chain clips collapse compared
    comparison contents core crash credits detail details difference dos drop duty easy ends
    error errors expert explain explained fast feature features film finger flaps foil folds
    fold game gauge gentle gloves good great guideline hand hands hard hazard heat hello help
    hints history honey hook hours hour ice idea images index input join jump key keys kit
    landmark large law layer lead learn lecture life light line lines list look loop main make
    manoeuvre maneuver many map mark marks master matter me mega meet metal method methods
    minute minutes mistake mistakes month months more morning mucosae my myth nerve nerves night
    nodule note notes oedema oil operating option order organ other our outcome page pages
    papers pathway pearl pearls pencil phase phone picture pictures pitfalls pitfall plan plate
    play please point points power press principle principles process product protocol puncture
    question questions quiz rail rate read really recap record recording reel rescue rinses risk
    role rule rules safe safety sample scan screen section setup seven six five four eight nine
    ten shape sheet sign signs site size skill skills skin slide slides smart smell solution
    sound special spot spreader story strip stripe structure success summary support syndrome
    table tackle tail take tape target task taste team tear tears thank thanks that then therapy
    this thumb tie time times tips title titles today topic touch toy trap travel tricks trick
    trouble tubercle under unit until up useful valve valves value vein veins versus vs voice
    wait warm warning water way welcome well wet where which white why wire word workflow
    workshop worst you your
"""
_TRADE = frozenset(_TRADE_TEXT.split())
_SUFFIXES = (
    "itis", "osis", "oses", "esis", "ectomy", "ectomies", "plasty", "scopy", "scopic", "scope",
    "tomy", "stomy", "oma", "omas", "tion", "tions", "ance", "ence", "ment", "ary", "ical", "eal",
    "oid", "rrhea", "rrhoea", "rrhage", "gram", "graphy", "logy", "pathy", "ative", "ability",
    "ness", "ous", "ity", "ular", "ible", "able", "ing", "ings", "ed", "ly", "ised", "ized",
    "isation", "ization", "less", "ful", "cele", "plasia", "ology", "ectomised", "uria", "aemia",
    "emia", "ism", "ive", "ic", "ics", "al", "lysis", "tome", "ure", "ures", "ship", "ward",
    "wards",
)  # fmt: skip


def nhs_number_valid(digits: str) -> bool:
    """True if ten digits pass the modulus 11 check of the NHS number (NHS Data Dictionary)."""
    if len(digits) != 10 or not digits.isascii() or not digits.isdigit():
        return False
    total = sum(int(digit) * (10 - index) for index, digit in enumerate(digits[:9]))
    check = 11 - total % 11
    return check != 10 and check % 11 == int(digits[9])


def identity_warnings(case: str, title: str, *other: str) -> list[str]:
    """What in these texts looks as if it identified a person; empty if nothing does.

    case: the pseudonym. title: of the case. other: chapter titles, labels,
    series title: all texts that leave with a release.
    Each warning is one sentence that names the place and the kind, never the
    text. One warning per place and kind.
    """
    out: list[str] = []
    places = [("The case name", case), ("The title", title)]
    places += [(f"Text {index}", text) for index, text in enumerate(other, start=1)]
    for index, (place, text) in enumerate(places):
        for kind in _kinds(text, is_case=index == 0):
            out.append(f"{place} holds what looks like {kind}.")
    return out


def _kinds(text: str, is_case: bool) -> list[str]:
    text = unicodedata.normalize("NFKC", text).strip()
    if not text:
        return []
    found: list[str] = []

    def add(kind: str, fired: object) -> None:
        if fired and kind not in found:
            found.append(kind)

    spaced = text.replace("_", " ")
    add("an e-mail address", _EMAIL.search(text))
    add("a web or network address", _URL.search(text) or _IP.search(text))
    add(
        "a date, perhaps a date of birth or of recording",
        _has_date(text) or _DAY_AND_MONTH.search(spaced) or _BORN.search(spaced),
    )
    add("a time of day", _CLOCK.search(text))
    digits = _digit_runs(text)
    add("an NHS number", any(nhs_number_valid(run) for run in digits))
    add("a hospital, record or account number", _RECORD.search(spaced) or _LONG.search(text))
    add(
        "a phone number or another long number",
        _PHONE_WORD.search(spaced)
        or _PLUS.search(text)
        or _BRACKET.search(text)
        or any(len(run) >= 9 for run in digits),
    )
    add("an age above 89", _AGE.search(spaced))
    add("an address", _STREET.search(spaced) or _POSTCODE.search(spaced))
    add("a person's name", _names_in_case(text) if is_case else _names_in_text(spaced))
    return found


def _digit_runs(text: str) -> list[str]:
    """Digits of every number written in groups or in one piece."""
    runs = [re.sub(r"\D", "", match.group()) for match in _GROUPS.finditer(text)]
    return runs + [match.group() for match in re.finditer(r"(?<!\d)\d{7,}(?!\d)", text)]


def _is_date(year: int, month: int, day: int) -> bool:
    try:
        datetime.date(year, month, day)
    except ValueError:
        return False
    return True


def _has_date(text: str) -> bool:
    for match in _NUMERIC_DATE.finditer(text):
        first, middle, last = (int(match.group(i)) for i in (1, 3, 4))
        if len(match.group(1)) == 4:
            if _is_date(first, middle, last) or _is_date(first, last, middle):
                return True
        else:
            year = last if len(match.group(4)) == 4 else 2000 + last
            if not 1 <= year <= 9999:
                continue
            if _is_date(year, middle, first) or _is_date(year, first, middle):
                return True
            short = len(match.group(1)) == len(match.group(4)) == 2
            if short and _is_date(2000 + first, middle, last):  # 67-03-12: the year first
                return True
    for match in re.finditer(r"(?<!\d)\d{8}(?!\d)", text):
        if _is_date_of_8(match.group()):
            return True
    for match in _SIX.finditer(text):
        a, b, c = (int(group) for group in match.groups())
        if _is_date(2000 + a, b, c) or _is_date(2000 + c, b, a) or _is_date(2000 + c, a, b):
            return True
    return False


def _is_date_of_8(run: str) -> bool:
    orders = (
        (run[:4], run[4:6], run[6:]),
        (run[4:], run[2:4], run[:2]),
        (run[4:], run[:2], run[2:4]),
    )
    return any(
        1880 <= int(year) <= 2100 and _is_date(int(year), int(month), int(day))
        for year, month, day in orders
    )


def _is_trade(word: str) -> bool:
    small = word.lower().removesuffix("'s").removesuffix("\u2019s")
    if small in _GIVEN:
        return False
    parts = [part for part in re.split(r"[-'\u2019]", small) if part]
    return all(
        part in _TRADE or part.removesuffix("s") in _TRADE or part.endswith(_SUFFIXES)
        for part in parts
    )


def _is_capital(word: str) -> bool:
    return len(word) >= 2 and word[0].isupper() and any(c.islower() for c in word[1:])


def _names_in_case(case: str) -> bool:
    words = [word for word in re.split(r"[\W\d_]+", case) if word]
    parts: list[str] = []
    for word in words:
        parts += re.findall(r"[A-Z\u00c0-\u00de]?[a-z\u00df-\u00ff]+|[A-Z\u00c0-\u00de]+", word)
    return any(part.lower() in _GIVEN for part in parts + words if len(part) >= 3)


def _names_in_text(text: str) -> bool:
    if _CARET.search(text):
        return True
    for match in _HONORIFIC.finditer(text):
        words = match.group().split()
        title, name = words[0].rstrip("."), words[-1]
        strict = title.lower() in _HONORIFIC_SMALL
        if name[0].isupper() and not _is_trade(name) and (not strict or title[0].isupper()):
            return True
    for match in _LABELLED.finditer(text):
        following = match.group(1).split()
        if any(word.lower() in _GIVEN for word in following):
            return True
        if following and _is_capital(following[0]) and not _is_trade(following[0]):
            return True
    if any(not _is_trade(match.group(1)) for match in _INITIAL.finditer(text)):
        return True
    return _capital_pair(text) or _given_name(text)


def _given_name(text: str) -> bool:
    """A common given name, with a capital or in a text of three words at most."""
    words = _WORD.findall(text)
    for word in words:
        base = re.sub(r"['\u2019]s$", "", word).lower()
        pieces = {base, *base.split("-")}
        if pieces & _GIVEN and (word[0].isupper() or len(words) <= 3):
            return True
    return False


def _capital_pair(text: str) -> bool:
    """Two neighbouring words written like a name that are no words of the trade."""
    for phrase in re.split(r"[.;:!?()\[\]/|\u2013\u2014]+", text):
        tokens = re.findall(r"[^\s,]+|,", phrase)
        words = [token.strip("\"'\u201c\u201d") for token in tokens]
        for index, word in enumerate(words):
            follow = words[index + 1 : index + 3]
            if follow and follow[0] == ",":
                follow = follow[1:]
            if not follow or not _plain_name(word) or not _plain_name(follow[0]):
                continue
            return True
    return False


def _plain_name(word: str) -> bool:
    return _WORD.fullmatch(word) is not None and _is_capital(word) and not _is_trade(word)
