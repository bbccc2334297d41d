"""One module a measurement word: options, stimulus, analysis, figures, tables and charts; one registry lists them."""
