"""Small shared frozen types: quantities, windows, outcomes, errors, located YAML. No I/O."""
