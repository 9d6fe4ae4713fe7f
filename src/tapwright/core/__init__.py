"""The nouns that every stage shares; numpy and the standard library only."""
