"""A FAT image as a block device. Law: what is written is in the file. Runs in MicroPython only."""


class Image:
    """file: the image, open for reading and writing."""

    def __init__(self, file):
        self._file = file
        self._sectors = file.seek(0, 2) // 512

    def readblocks(self, number, buffer):
        self._file.seek(number * 512)
        self._file.readinto(buffer)

    def writeblocks(self, number, buffer):
        self._file.seek(number * 512)
        self._file.write(buffer)
        self._file.flush()

    def ioctl(self, op, argument):
        return self._sectors if op == 4 else 512 if op == 5 else 0
