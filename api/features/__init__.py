"""The features of a revision's nominal, and what can be made from them."""
