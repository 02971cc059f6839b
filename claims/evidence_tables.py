"""The tables of claims that are written once, each with the columns of its unique keys beside `id`. A leaf for
migrations and for `receiving.triggers`."""

KEYS = {
    "claims_amendment": [("uuid",)],
    "claims_bounce": [("uuid",)],
    "claims_cardmessage": [("uuid",)],
    "claims_document": [("uuid",), ("replaces_id",)],
    "claims_fact": [("uuid",), ("reverses_id",)],
    "claims_gapreason": [("uuid",)],
    "claims_judgingrule": [("uuid",)],
    "claims_linedecision": [("fact_id", "line_id")],
    "claims_message": [("uuid",)],
    "claims_notclaimed": [("uuid",), ("lifts_id",)],
    "claims_packet": [("uuid",), ("supersedes_id",), ("claim_id", "number")],
    "claims_reviewnote": [("uuid",), ("closes_id",)],
    "claims_salvagelot": [("uuid",)],
    "claims_scorecard": [("uuid",), ("restates_id",), ("series", "number")],
    "claims_statement": [("uuid",)],
}
