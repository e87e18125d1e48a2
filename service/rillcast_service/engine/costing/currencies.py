"""How many decimals each currency has: ISO 4217, list one (current currencies), state of January 2026.

Funds codes, precious metals and test codes are left out: nobody pays a chip in them.
"""

from __future__ import annotations

from collections.abc import Mapping

#: Decimals → the alphabetic codes that have them.
_BY_EXPONENT: Mapping[int, str] = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX VND VUV XAF XOF XPF",
    2: (
        "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BMD BND BOB BRL BSD BTN BWP BYN BZD CAD CDF CHF "
        "CNY COP CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GTQ GYD HKD HNL "
        "HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT "
        "MOP MRU MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR PLN QAR RON RSD RUB "
        "SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH "
        "USD UYU UZS VED VES WST XCD XCG YER ZAR ZMW ZWG"
    ),
    3: "BHD IQD JOD KWD LYD OMR TND",
}

#: Alphabetic code → decimals of the currency (the standard's "minor unit").
EXPONENTS: Mapping[str, int] = {
    code: exponent for exponent, codes in _BY_EXPONENT.items() for code in codes.split()
}
