"""The mock-up: bought-in parts placed on the piece, least distances between meshes, and motions without gaps."""
