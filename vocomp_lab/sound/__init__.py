"""What a clip is: samples and a rate, how it is read and written, decibels, settings that check
themselves, and measurements that are remembered.

Nothing here knows what a compressor is. It imports from no other room.
"""
