"""Facts of law and safety that a module of the program shows, each with its source: facts, not advice.

A test's id begins with its source and ends with its status: V, read in a public source, or M, from memory. What legal,
customs, dangerous-goods or food people decide is theirs: the program shows evidence, blocks what is unknown, and
neither classifies nor waives.

What nothing in the program shows yet:

- 16 CFR 251.1(a), (b), 233.4: no substitution by inferior goods; all conditions clear at the outset.
- 16 CFR 233.5: nothing is called 'limited' that isn't. 16 CFR 424.2: ordered enough for reasonably anticipated demand;
  equal compensation.
- 16 CFR 435: 30 days unless said otherwise, the option to agree to a delay, prompt refund.
- UCPD Annex I no. 20, guidance 3.4.5-3.4.6: the gift is genuinely additional, and the stand-alone price is the same.
- UK CAP 8.9-8.13: a reasonable estimate of the likely response, kept as evidence.
- 49 CFR 173.150(b), 173.185(c), 172.315, IATA DGR (M) and PHMSA 16-0172: limits of quantities are a trained shipper's.
- Regulation 1169/2011 Article 14: allergens are told before the purchase is concluded; that is the shop's page.
- Regulation 1223/2009 Article 2, GPSR Article 19: free goods comply as sold ones do; what a distance seller shows.
- UCPD and CRD refunds, VAT and sales tax on gifts (M).
"""

import ast
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import get_args

import pytest

import makeweight
from makeweight.domain.campaigns import Allergen, Cautions, Customs, WhenOut
from makeweight.domain.customs import customs_line, interim_duty, tariff_categories
from makeweight.domain.free_claims import FreeOffer, raised_before, too_often
from makeweight.domain.moments import Window
from makeweight.domain.prior_price import (
    NotAReduction,
    PriorPriceUnknown,
    claimed_percent,
    local_history,
    local_start,
    prior_price,
)
from makeweight.domain.tickets import NoticeKind
from makeweight.insight.rates import wilson
from makeweight.planning.reductions import WHO_DECIDES

PARIS, NEW_YORK = "Europe/Paris", "America/New_York"
SALE = local_start(date(2026, 10, 15), PARIS)
EX_37 = [(date(2026, 9, 1), 50_00), (date(2026, 9, 21), 42_00), (date(2026, 9, 28), 55_00)]
EX_38 = [(date(2026, 8, 1), 100_00), (date(2026, 10, 1), 90_00), (date(2026, 10, 8), 80_00)]


def prior(prices, **options):
    """The prior price of an item from local days, for a sale from 15 October 2026."""
    return prior_price(local_history("SERUM", "FR", PARIS, prices), SALE, **options).price


def refused(error, call, *arguments):
    """Whether a call is refused with this error."""
    with pytest.raises(error):
        call(*arguments)
    return True


def offers(*days):
    """Free offers of a week each from these days of 2026 on."""
    starts = [local_start(date(2026, month, day), NEW_YORK) for month, day in days]
    return [FreeOffer(str(start), Window(start, start + timedelta(days=7))) for start in starts]


def warnings(*days):
    """How much there is to warn of on the last of these offers."""
    *others, planned = offers(*days)
    return len(too_often(planned, others, NEW_YORK))


def long(days):
    """How much there is to warn of on one offer of so many days."""
    start = local_start(date(2026, 1, 5), NEW_YORK)
    return len(too_often(FreeOffer("long", Window(start, start + timedelta(days=days))), [], NEW_YORK))


def raised(*prices):
    """Why a free offer from 1 September 2026 is blocked by these prices."""
    return raised_before(local_history("SERUM", "US", NEW_YORK, prices), local_start(date(2026, 9, 1), NEW_YORK))


def duty(*codes, at=datetime(2026, 10, 1, tzinfo=UTC), value=90_00):
    """The interim duty of a parcel in cents."""
    return interim_duty(tariff_categories(codes), value, at)


def declared(value):
    """A customs line of a gift."""
    return customs_line("Sketchpad", Customs("4820.10", "PT"), value)


ARTICLE_6A = "Directive 98/6/EC Art. 6a, Notice 2021/C 526/02"
COUNCIL = "Council of the EU 11 Feb 2026 (reports)"
SILK, WOOL = "6206.10", "6206.20"
FACTS = [
    (ARTICLE_6A, "lowest price of 30 days (Ex-37)", "V", lambda: prior(EX_37) == 42_00),
    (ARTICLE_6A, "not less than 30 days", "V", lambda: refused(PriorPriceUnknown, prior, EX_37[1:])),
    (ARTICLE_6A, "a growing series keeps its first (Ex-38)", "V", lambda: prior(EX_38, progressive=True) == 100_00),
    (ARTICLE_6A, "only where a market opted in (Ex-38)", "V", lambda: prior(EX_38) == 80_00),
    ("CJEU C-330/23", "a percent is from the prior price (Ex-37)", "V", lambda: claimed_percent(42_00, 39_90) == 5),
    ("CJEU C-330/23", "above it is no reduction (Ex-37)", "V", lambda: refused(NotAReduction, claimed_percent, 42, 44)),
    ("CJEU C-330/23", "never rounded up (Ex-36)", "V", lambda: claimed_percent(50_00, 30_02) == 39),
    ("16 CFR 233.1", "a former price that was asked", "V", lambda: refused(PriorPriceUnknown, prior, EX_37[2:])),
    (
        "16 CFR 251.1(a)(b), 233.4",
        "no gift by a raised price (Ex-39)",
        "V",
        lambda: "raised for it" in raised((date(2026, 1, 1), 18_00), (date(2026, 8, 29), 20_00)),
    ),
    ("16 CFR 251.1(b)", "30 days make it regular", "M", lambda: raised((date(2026, 8, 2), 20_00)) is None),
    ("16 CFR 251.1(h)", "the third in 12 months (Ex-40)", "M", lambda: warnings((1, 5), (4, 6), (9, 7)) == 0),
    ("16 CFR 251.1(h)", "the fourth is warned (Ex-40)", "M", lambda: warnings((1, 5), (4, 6), (7, 6), (11, 2)) == 1),
    ("16 CFR 251.1(h)", "6 of 12 months and no more", "M", lambda: (long(180), long(190)) == (0, 1)),
    ("16 CFR 251.1(h)", "a gap of 21 days is warned (Ex-40)", "M", lambda: warnings((1, 5), (2, 2)) == 1),
    ("16 CFR 251.1(h)", "a gap of 30 days is not", "M", lambda: warnings((1, 5), (2, 11)) == 0),
    ("16 CFR 424.2", "a rain check, a comparable product", "V", lambda: {"owed", "substitute"} <= {*get_args(WhenOut)}),
    ("UCPD Annex I no. 20", "a gift beyond the terms is told", "V", lambda: "over_gift" in get_args(NoticeKind)),
    ("GOV.UK free of charge goods", "never at 0", "V", lambda: refused(ValueError, declared, 0)),
    ("GOV.UK gifts", "a gift with purchase is a sale", "V", lambda: declared(250).category == "sale of goods"),
    (COUNCIL, "1 silk and 2 wool blouses: EUR 6", "V", lambda: duty(SILK, WOOL, WOOL) == 6_00),
    (COUNCIL, "from 1 Jul 2026", "V", lambda: duty(SILK, at=datetime(2026, 6, 30, tzinfo=UTC)) == 0),
    (COUNCIL, "to 1 Jul 2028", "V", lambda: duty(SILK, at=datetime(2028, 7, 1, tzinfo=UTC)) == 0),
    (COUNCIL, "below EUR 150", "V", lambda: (duty(SILK, value=149_99), duty(SILK, value=150_00)) == (3_00, 0)),
    ("NIST HB 130 (98 %)", "50 lines without fault prove no 98 %", "M", lambda: wilson(50, 50).low < 0.98),
    ("NIST HB 130 (98 %)", "200 of them do", "M", lambda: wilson(200, 200).low > 0.98),
]


@pytest.mark.parametrize("holds", [pytest.param(f[3], id=f"{f[0]}: {f[1]} [{f[2]}]") for f in FACTS])
def test_facts(holds):
    """Source and status stand in the id; 'Ex-n' is a worked example of the trade's rules, with no source but the law's.

    NIST HB 130: that the procedure exists was read, the pass level of 98 % is from memory.
    """
    assert holds()


# --- what the program must not decide -------------------------------------------------------------------------------

JUDGING_WORDS = re.compile(r"classif|packing_?group|flash|limited_?quantit|un_?number|lithium|watt", re.IGNORECASE)


def test_no_function_classifies_dangerous_goods():
    """49 CFR 173.121 [V]: packing group II below 23 degrees, III from there to 60; a trained shipper says which.

    49 CFR 173.150(b), 173.185(c), 172.315 and IATA DGR [M] likewise. So no function, class or member of the program
    knows a flash point or a packing group; it takes the answer, and without one the gift stays.
    """
    root = Path(makeweight.__file__).parent
    named = [
        f"{path.relative_to(root)}: {name}"
        for path in sorted(root.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        for name in [getattr(node, "name", None) or getattr(node, "attr", None) or getattr(node, "arg", None)]
        if isinstance(name, str) and JUDGING_WORDS.search(name)
    ]
    assert named == []
    assert Cautions().dangerous_goods is None


def test_who_decides_is_said_with_the_evidence():
    """Rules of the trade 2.40: legal or compliance decides what is said of prices."""
    assert "legal or compliance decides" in WHO_DECIDES


# Regulation (EU) No 1169/2011, Annex II [V], in the words of a campaign's page. The nine of the US FALCPA and FASTER
# Acts [M] are some of these, and two words more.
ANNEX_II = {
    "gluten", "crustaceans", "eggs", "fish", "peanuts", "soy", "milk", "tree nuts", "celery", "mustard", "sesame",
    "sulphites", "lupin", "molluscs",
}  # fmt: skip
US_NINE = {"milk", "eggs", "fish", "shellfish", "tree nuts", "peanuts", "wheat", "soy", "sesame"}


def test_allergens():
    """Regulation 1169/2011 Annex II has 14 [V], US law 9 [M]: the program knows all of them, and no other."""
    assert (len(ANNEX_II), len(US_NINE)) == (14, 9)
    assert set(get_args(Allergen)) == ANNEX_II | US_NINE


@pytest.mark.parametrize("caution", ["dangerous_goods", "age", "food"])
def test_what_nobody_answered_is_unknown(caution):
    """Rules of the trade 2.33 and 2.40: unknown blocks, so no caution has an answer by itself."""
    assert getattr(Cautions(), caution) is None
