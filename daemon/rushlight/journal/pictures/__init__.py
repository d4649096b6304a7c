"""The picture diary's files: what a picture may be, where it is kept, and how many stay."""
