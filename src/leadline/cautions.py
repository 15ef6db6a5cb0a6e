"""The cautions that every plan, page and slate carries."""

CAUTIONS = (
    "A planning aid, not training: dive only what you are trained for.",
    "No model is proof against decompression sickness.",
    "Defer to your training agency, local codes and licensed medical and diving practice.",
    "Cross-check with an independent source. Analyse every gas.",
)
SHORT = "Planning aid, not training. No model is proof against DCS. Cross-check. Analyse every gas."
