"""Would the new figures have been better?"""
