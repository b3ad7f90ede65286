"""The page at the kerb: readings entered on a phone, odds that move, where to listen next."""
